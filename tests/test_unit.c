/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/unit.h"

#include <check.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AMBIENT 101325.0

struct reading {
	const char *text;
	enum unit_dimension dim;
	double si, relative;
	const char *source;
};

/* Definitions: international yard and pound agreement of 1959 (25.4 mm,
 * 0.45359237 kg), standard gravity 9.80665 m/s2 (CGPM 1901). */
static const struct reading readings[] = {
    {"1 psi abs", UNIT_PRESSURE, 6894.757293168361, 1e-12,
     "exact by definition; NIST SP 811 App. B 6.894 757 E+03"},
    {"1 bar absolute", UNIT_PRESSURE, 1e5, 1e-15, "BIPM SI brochure"},
    {"14.5037737730 psi absolute", UNIT_PRESSURE, 1e5, 1e-11, "1 bar in psi, by definition"},
    {"14.69594877551 psi", UNIT_PRESSURE_ABSOLUTE, 101325, 1e-11, "standard atmosphere, ISO 2533"},
    {"1.01325 bar", UNIT_PRESSURE_ABSOLUTE, 101325, 1e-14, "standard atmosphere, ISO 2533"},
    {"760 mmHg", UNIT_PRESSURE_ABSOLUTE, 101325, 1e-5, "conventional mmHg 133.322 Pa, NIST SP 811"},
    {"1 inHg", UNIT_PRESSURE_ABSOLUTE, 3386.39, 1e-5, "conventional inHg, NIST SP 811"},
    {"87.0226 psi abs", UNIT_PRESSURE, 6e5, 1e-6, "6 bar in psi, by definition"},
    {"30 psi gauge", UNIT_PRESSURE, 2.07e5 + AMBIENT, 2e-3, "29 CFR 1910.242(b): 30 psi is 2.07 bar"},
    {"6 bar gauge", UNIT_PRESSURE, 701325, 1e-15, "gauge = absolute - ambient"},
    {"-0.5bar gauge", UNIT_PRESSURE, 51325, 1e-15, "gauge = absolute - ambient"},
    {"700 kPa  abs", UNIT_PRESSURE, 7e5, 1e-15, "SI prefix"},
    {"0.7 MPa absolute", UNIT_PRESSURE, 7e5, 1e-14, "SI prefix"},
    {"1013 mbar", UNIT_PRESSURE_ABSOLUTE, 101300, 1e-14, "SI prefix"},
    {"1013.25 hPa", UNIT_PRESSURE_ABSOLUTE, 101325, 1e-14, "SI prefix"},
    {"62.5 mm", UNIT_LENGTH, 0.0625, 1e-15, "SI prefix"},
    {"2.5 in", UNIT_LENGTH, 0.0635, 1e-14, "inch of 25.4 mm"},
    {"1 ft", UNIT_LENGTH, 0.3048, 1e-15, "foot of 304.8 mm"},
    {"42cm", UNIT_LENGTH, 0.42, 1e-15, "SI prefix"},
    {"18 ml", UNIT_VOLUME, 18e-6, 1e-15, "SI brochure: litre"},
    {"50 l", UNIT_VOLUME, 0.05, 1e-15, "SI brochure: litre"},
    {"18 cm3", UNIT_VOLUME, 18e-6, 1e-15, "SI prefix"},
    {"0.5 dm3", UNIT_VOLUME, 5e-4, 1e-15, "SI prefix"},
    {"1 in3", UNIT_VOLUME, 16.387064e-6, 1e-12, "NIST SP 811: cubic inch 1.638 706 4 E-05 exactly"},
    {"14.5 deg", UNIT_ANGLE, 14.5 * UNIT_PI / 180, 1e-15, "SI brochure: degree"},
    {"360 °", UNIT_ANGLE, 2 * UNIT_PI, 1e-15, "SI brochure: degree"},
    {"3 rad", UNIT_ANGLE, 3, 1e-15, "SI"},
    {"60 rpm", UNIT_SPEED, 2 * UNIT_PI, 1e-15, "one turn a second"},
    {"360 deg/s", UNIT_SPEED, 2 * UNIT_PI, 1e-15, "one turn a second"},
    {"1800 N", UNIT_FORCE, 1800, 1e-15, "SI"},
    {"1.8 kN", UNIT_FORCE, 1800, 1e-15, "SI prefix"},
    {"1 lbf", UNIT_FORCE, 4.4482216152605, 1e-14, "NIST SP 811: pound-force, exact"},
    {"1 kgf", UNIT_FORCE, 9.80665, 1e-15, "NIST SP 811: kilogram-force"},
    {"160 kg", UNIT_MASS, 160, 1e-15, "SI"},
    {"1 lb", UNIT_MASS, 0.45359237, 1e-15, "pound, by definition"},
    {"18 degC", UNIT_TEMPERATURE, 291.15, 1e-15, "SI brochure: 273.15 K"},
    {"15 °C", UNIT_TEMPERATURE, 288.15, 1e-15, "SI brochure: 273.15 K"},
    {"59 degF", UNIT_TEMPERATURE, 288.15, 1e-14, "59 degF = 15 degC, ISO 2533 sea level"},
    {"-459.67 degF", UNIT_TEMPERATURE, 0, 1e-12, "absolute zero"},
    {"288.15 K", UNIT_TEMPERATURE, 288.15, 1e-15, "SI"},
    {"12 ms", UNIT_TIME, 0.012, 1e-15, "SI prefix"},
    {"1.5 min", UNIT_TIME, 90, 1e-15, "SI brochure: minute"},
    {"12600 mV", UNIT_VOLTAGE, 12.6, 1e-15, "SI prefix"},
    {"45 %", UNIT_FRACTION, 0.45, 1e-15, "per cent"},
    {"0.45", UNIT_FRACTION, 0.45, 1e-15, "bare fraction"},
    {"102 counts", UNIT_COUNTS, 102, 1e-15, "counts"},
    {"+36", UNIT_COUNT, 36, 1e-15, "bare number"},
    {" 1.5e2 mm ", UNIT_LENGTH, 0.15, 1e-15, "exponent, blanks"},
    {".5 m", UNIT_LENGTH, 0.5, 1e-15, "no leading digit"},
    {"5. m", UNIT_LENGTH, 5, 1e-15, "no digit after the point"},
};

START_TEST(quantities_read_as_published)
{
	const struct reading *r = &readings[_i];
	double si = NAN;
	char why[160] = "";
	ck_assert_msg(unit_parse(r->text, r->dim, AMBIENT, &si, why, sizeof why) == 0, "'%s': %s", r->text,
	              why);
	double tolerance = r->relative * fmax(fabs(r->si), 1);
	ck_assert_msg(fabs(si - r->si) <= tolerance, "'%s' read as %.15g, %s says %.15g", r->text, si,
	              r->source, r->si);
}
END_TEST

struct refusal {
	const char *text;
	enum unit_dimension dim;
	const char *word;
};

static const struct refusal refusals[] = {
    {"62.5", UNIT_LENGTH, "unit is missing"},
    {"62,5 mm", UNIT_LENGTH, "decimal comma"},
    {"mm", UNIT_LENGTH, "does not start with a number"},
    {"", UNIT_LENGTH, "value is missing"},
    {"62.5 furlong", UNIT_LENGTH, "furlong"},
    {"62.5 MM", UNIT_LENGTH, "'MM' does not fit"},
    {"62.5 mm wide", UNIT_LENGTH, "does not fit"},
    {"6 bar", UNIT_PRESSURE, "6 bar gauge"},
    {"6 bar abc", UNIT_PRESSURE, "'gauge' or 'absolute'"},
    {"6 bar gauge or so", UNIT_PRESSURE, "'gauge' or 'absolute'"},
    {"6 gauge", UNIT_PRESSURE, "'gauge' does not fit"},
    {"1 bar gauge", UNIT_PRESSURE_ABSOLUTE, "absolute"},
    {"nan mm", UNIT_LENGTH, "does not start with a number"},
    {"inf mm", UNIT_LENGTH, "does not start with a number"},
    {"0x10 mm", UNIT_LENGTH, "'x10 mm' does not fit"},
    {"1e999 mm", UNIT_LENGTH, "does not start with a number"},
    {"- 5 mm", UNIT_LENGTH, "does not start with a number"},
    {"--5 mm", UNIT_LENGTH, "does not start with a number"},
    {". mm", UNIT_LENGTH, "does not start with a number"},
    {"12 mm", UNIT_VOLUME, "18 ml"},
    {"36 teeth", UNIT_COUNT, "bare number"},
    {"3 x", UNIT_FRACTION, "45 %"},
};

START_TEST(other_text_is_refused_with_a_remedy)
{
	const struct refusal *r = &refusals[_i];
	double si = 7;
	char why[160] = "";
	ck_assert_msg(unit_parse(r->text, r->dim, AMBIENT, &si, why, sizeof why) == -1, "'%s' was read as %g",
	              r->text, si);
	ck_assert_msg(strstr(why, r->word) != NULL, "'%s': '%s' does not say '%s'", r->text, why, r->word);
	ck_assert_double_eq(si, 7);
}
END_TEST

START_TEST(a_reason_longer_than_its_place_is_cut)
{
	char why[8];
	double si;
	ck_assert_int_eq(unit_parse("62.5 mn", UNIT_LENGTH, 0, &si, why, sizeof why), -1);
	ck_assert_uint_eq(strlen(why), 7);
}
END_TEST

START_TEST(every_example_reads_as_its_own_dimension)
{
	double si;
	char why[160];
	for (int d = UNIT_LENGTH; d <= UNIT_COUNT; d++)
		ck_assert_int_eq(unit_parse(unit_example((enum unit_dimension)d), (enum unit_dimension)d, 0,
		                            &si, why, sizeof why),
		                 0);
}
END_TEST

START_TEST(a_printed_quantity_reads_back)
{
	for (double mm = -3; mm < 3; mm += 0.0385) {
		char text[64], why[160];
		double si;
		snprintf(text, sizeof text, "%.17g mm", mm);
		ck_assert_int_eq(unit_parse(text, UNIT_LENGTH, 0, &si, why, sizeof why), 0);
		ck_assert_double_eq_tol(si * 1e3, mm, 1e-15);
	}
}
END_TEST

START_TEST(conversions_undo_each_other)
{
	for (double x = -7; x < 7; x += 0.2385) {
		ck_assert_double_eq_tol(unit_rad(unit_deg(x)), x, 1e-14);
		ck_assert_double_eq_tol(unit_rpm(x), unit_deg(x) / 6, 1e-13); /* rpm = deg/s / 6 */
		ck_assert_double_eq_tol(unit_bar_gauge(x * 1e5 + AMBIENT, AMBIENT), x, 1e-13);
		ck_assert_double_eq_tol(unit_bar(x * 1e5), x, 1e-15);
	}
}
END_TEST

START_TEST(a_number_ends_where_its_digits_end)
{
	double v;
	const char *text = "  -12.5e-1,rest";
	ck_assert_ptr_eq(unit_number(text, &v), text + 10);
	ck_assert_double_eq(v, -1.25);
	text = "5e"; /* an exponent needs digits */
	ck_assert_ptr_eq(unit_number(text, &v), text + 1);
	ck_assert_ptr_null(unit_number("e5", &v));
}
END_TEST

int main(void)
{
	Suite *s = suite_create("unit");
	TCase *t = tcase_create("unit");
	tcase_add_loop_test(t, quantities_read_as_published, 0, sizeof readings / sizeof *readings);
	tcase_add_loop_test(t, other_text_is_refused_with_a_remedy, 0, sizeof refusals / sizeof *refusals);
	tcase_add_test(t, a_reason_longer_than_its_place_is_cut);
	tcase_add_test(t, every_example_reads_as_its_own_dimension);
	tcase_add_test(t, a_printed_quantity_reads_back);
	tcase_add_test(t, conversions_undo_each_other);
	tcase_add_test(t, a_number_ends_where_its_digits_end);
	suite_add_tcase(s, t);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
