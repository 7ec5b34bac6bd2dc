/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults of valves, wires, hoses and sensors, each seeded in rehearsed rides of the demo machine: is it
 * named? And healthy rides: does anything complain?  EVENT_SEEDS (rides a fault) and EVENT_HEALTHY in the
 * environment choose other numbers. */
#include "tests/road_rig.h"

#include <check.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define ENGINE "sample-logs/number7.ini"
#define SETS 10

struct fault_case {
	const char *name, *says; /* words of the finding */
	const char *set[SETS];
	const char *swap[2][2]; /* in the engine file of the analysis: these words become those */
};

static const struct fault_case cases[] = {
    {"valve sticks at times", "cap inlet did not", {"stick.0=0.12"}, {{NULL}}},
    {"valve hesitates", "hesitates", {"slow.1=0.15", "slow_time=20"}, {{NULL}}},
    {"relay or valve bounces", "bounces", {"bounce.1=0.9", "bounce_time=10"}, {{NULL}}},
    {"exhaust leaks when shut", "leaks", {"seat_leak.1=0.8"}, {{NULL}}},
    {"inlet leaks when shut", "inlet valve leaks", {"seat_leak.0=0.5"}, {{NULL}}},
    {"inlet and exhaust open at once",
     "stand open together",
     {"shut_delay.1=45", "shut_delay.3=45"},
     {{NULL}}},
    {"wires of one end swapped",
     "wires of its inlet and exhaust are swapped",
     {NULL},
     {{"cap inlet", "cap exhaust"}, {NULL}}},
    {"hoses or sensors swapped", "stand the wrong way round", {NULL}, {{"= cap\n", "= rod\n"}, {NULL}}},
    {"sensor dead", "sent nothing", {"rate.1=0"}, {{NULL}}},
    {"sensor stuck", "is stuck", {"tube.1=1000", "lag.1=1000"}, {{NULL}}},
    {"sensor saturated", "at the end of its range", {"gain.1=50", "regulator=9.5", "tank=15"}, {{NULL}}},
};

static void exchange(char *text, const char *a, const char *b)
{
	char *out = malloc(2 * strlen(text) + 1), *to = out;
	for (const char *at = text; *at != '\0';) {
		const char *from = strncmp(at, a, strlen(a)) == 0   ? a
		                   : strncmp(at, b, strlen(b)) == 0 ? b
		                                                    : NULL;
		if (from == NULL) {
			*to++ = *at++;
			continue;
		}
		const char *put = from == a ? b : a;
		memcpy(to, put, strlen(put));
		to += strlen(put);
		at += strlen(from);
	}
	*to = '\0';
	strcpy(text, out);
	free(out);
}

/* The engine file with two words exchanged, as a file of its own. */
static void write_swapped(const char *const swap[2], char *path)
{
	char text[8000] = "";
	FILE *in = fopen(ENGINE, "r");
	ck_assert_ptr_nonnull(in);
	size_t n = fread(text, 1, sizeof text / 2, in);
	text[n] = '\0';
	fclose(in);
	exchange(text, swap[0], swap[1]);
	FILE *out = fdopen(mkstemp(path), "w");
	ck_assert_ptr_nonnull(out);
	fputs(text, out);
	fclose(out);
}

static struct road *ride(const struct fault_case *c, unsigned seed)
{
	char number[20];
	const char *words[20 + 2 * SETS] = {"--ride", "late",   "--duration", "30",
	                                    "--seed", number,   "--set",      "drive=1",
	                                    "--set",  "rpm=75", "--set",      "rpm_to=140"};
	size_t n = 12;
	snprintf(number, sizeof number, "%u", seed);
	for (int i = 0; c != NULL && i < SETS && c->set[i] != NULL; i++) {
		words[n++] = "--set";
		words[n++] = c->set[i];
	}
	if (c == NULL || c->swap[0][0] == NULL)
		return road_ride(ENGINE, LINK_FRAMES, words);
	char path[] = "/tmp/event-faults-XXXXXX";
	write_swapped(c->swap[0], path);
	char *lines = road_lines(ENGINE, words, NULL);
	struct road *r = road_bytes(path, LINK_LINES, (const uint8_t *)lines, strlen(lines));
	free(lines);
	unlink(path);
	return r;
}

static bool named(const struct road *r, const char *words)
{
	for (size_t i = 0; i < r->report->findings.n; i++)
		if (strstr(r->report->findings.line[i], words) != NULL)
			return true;
	return false;
}

static unsigned from_environment(const char *name, unsigned fallback)
{
	const char *text = getenv(name);
	return text != NULL ? (unsigned)strtoul(text, NULL, 10) : fallback;
}

START_TEST(faults_are_named)
{
	unsigned seeds = from_environment("EVENT_SEEDS", 5), unnamed = 0;
	for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
		unsigned found = 0;
		for (unsigned seed = 1; seed <= seeds; seed++) {
			struct road *r = ride(&cases[i], seed);
			ck_assert_msg(r->status == 0, "%s", r->fault.text);
			found += named(r, cases[i].says);
			for (size_t k = 0; seed == 1 && k < r->report->findings.n; k++)
				printf("    %s\n", r->report->findings.line[k]);
			road_free(r);
		}
		printf("%-34s named in %u of %u rides\n", cases[i].name, found, seeds);
		fflush(stdout);
		unnamed += seeds - found;
	}
	ck_assert_uint_eq(unnamed, 0);
}
END_TEST

START_TEST(healthy_rides_draw_no_complaint)
{
	unsigned seeds = from_environment("EVENT_HEALTHY", 200), complaints = 0;
	for (unsigned seed = 1; seed <= seeds; seed++) {
		struct road *r = ride(NULL, seed);
		complaints += r->report->findings.n > 0;
		for (size_t k = 0; k < r->report->findings.n; k++)
			printf("    seed %u: %s\n", seed, r->report->findings.line[k]);
		road_free(r);
	}
	printf("healthy rides: %u of %u draw a complaint\n", complaints, seeds);
	ck_assert_uint_eq(complaints, 0);
}
END_TEST

int main(void)
{
	Suite *s = suite_create("faults of valves and sensors");
	TCase *c = tcase_create("faults of valves and sensors");
	tcase_set_timeout(c, 0);
	tcase_add_test(c, faults_are_named);
	tcase_add_test(c, healthy_rides_draw_no_complaint);
	suite_add_tcase(s, c);
	SRunner *r = srunner_create(s);
	srunner_set_fork_status(r, CK_NOFORK);
	srunner_run_all(r, CK_ENV);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
