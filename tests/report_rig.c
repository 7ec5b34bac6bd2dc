/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "tests/report_rig.h"

#include "common/unit.h"
#include "tests/stroke_rig.h"

#include <check.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static void fill_event(struct valve_event_summary *e, int end, int kind)
{
	static const double INTENDED[EVENT_KINDS] = {0, 96, 170, 352};
	double late = unit_rad(8.25 + kind);
	double intended = unit_rad(fmod(INTENDED[kind] + 180 * end, 360));
	*e = (struct valve_event_summary){
	    .valve = (uint8_t)(2 * end + kind / 2),
	    .end = (uint8_t)end,
	    .event = (uint8_t)kind,
	    .count = 140,
	    .not_found = 2,
	    .missed = 1,
	    .commands = 142,
	    .intended_rad = intended,
	    .commanded_rad = intended + unit_rad(1),
	    .actual_rad = intended + late,
	    .error_rad = late,
	    .error_ci95_rad = {late - unit_rad(0.4), late + unit_rad(0.4)},
	    .spread_rad = unit_rad(0.9),
	    .count_error_rad = unit_rad(0.2),
	    .firing_error_rad = unit_rad(0.8),
	    .delay_s = 0.0213,
	    .delay_ci95_s = {0.0212, 0.0214},
	    .delay_sd_s = 0.0004,
	    .t10_s = 0.018,
	    .offset_rad = unit_rad(0.5),
	    .offset_ci95_rad = {unit_rad(0.3), unit_rad(0.7)},
	    .latency_s = 0.0004,
	    .latency_ci95_s = {0.0003, 0.0005},
	    .speed_rad_s = 12,
	    .ride_speed_rad_s = 12,
	    .separable = true,
	    .verdict = "late",
	};
	snprintf(e->words, sizeof e->words, "event %d of the %s end is late; lead it", kind,
	         engine_end_name((enum engine_end)end));
}

static void fill_strokes(struct report *r, int end)
{
	struct stroke_summary *s = &r->stroke[end];
	*s = (struct stroke_summary){
	    .count = 139,
	    .left_out = 3,
	    .useful_rad = unit_rad(131.5),
	    .useful_sd_rad = unit_rad(0.4),
	    .useful_fraction = 131.5 / 180,
	    .useful_fraction_work = 0.62,
	    .useful_spread_rad = unit_rad(3),
	    .work_j = 62,
	    .work_sd_j = 0.3,
	    .work_spread_j = 4,
	    .work_line = {.n = 139, .mean_x = 12.6, .mean_y = 62, .slope = -2, .sxx = 300, .sd = 4},
	    .useful_line = {.n = 139, .mean_x = 12.6, .mean_y = 2.3, .sxx = 300, .sd = 0.05},
	    .factor_line = {.n = 139, .mean_x = 12.6, .mean_y = 0.62, .sxx = 300, .sd = 0.03},
	    .air_line = {.n = 139, .mean_x = 12.6, .mean_y = 1.4e-3, .sxx = 300, .sd = 1e-4},
	    .ideal_work_j = 100,
	    .diagram_factor = 0.62,
	    .mep_pa = 1.6e5,
	    .mep_sd_pa = 8e2,
	    .release_sd_pa = 1e3,
	    .release_pa = 2.9e5,
	    .air_kg = 1.4e-3,
	    .air_error_kg = 5e-5,
	    .peak_force_n = 1380,
	    .ledger_j = {9, -4, 12, 3, 10, 6, 2},
	    .ledger_sd_j = {0.4, 0.3, 0.5, 0.2, 0.4, 0.3, 0.2},
	    .ideal_sd_j = 0.1,
	    .diagram_factor_sd = 0.004};
	r->has_strokes[end] = true;
	for (size_t b = 0; b < STROKE_BINS; b++) {
		double phi = 2 * UNIT_PI * ((double)b + 0.5) / STROKE_BINS;
		r->diagram[end].measured_pa[b] = 2.6e5 + 1.5e5 * sin(phi);
		r->diagram[end].ideal_pa[b] = phi < UNIT_PI ? 5e5 : 1.013e5;
		r->diagram[end].supply_pa[b] = 5.5e5;
	}
}

static void fill_gains(struct gains *g)
{
	*g = (struct gains){.known = true,
	                    .measured_j = 62,
	                    .simulated_j = 60,
	                    .simulated_air_kg = 1.4e-3,
	                    .all_j = 20,
	                    .all_kg = -1e-4};
	for (int c = 0; c < GAIN_CAUSES; c++) {
		g->gain[c] = (struct gain){.work_j = 12.0 - 3 * c,
		                           .work_error_j = 0.5 + 0.25 * c,
		                           .air_kg = 1e-4 * c,
		                           .air_error_kg = 2e-6,
		                           .j_per_kg = 9e3 - 1e3 * c,
		                           .j_per_kg_error = 1e2 * (c + 1),
		                           .share_j = 10.0 / (c + 1),
		                           .share_kg = -1e-5 * c};
		g->by_work[c] = g->by_air[c] = (enum gain_cause)c;
	}
}

static void fill_wheel(struct report *r)
{
	r->has_crank = true;
	r->wheel.teeth = 36;
	r->wheel.slots = 72;
	r->wheel.aligned = true;
	for (unsigned k = 0; k < 36; k++)
		r->wheel.pitch_error_rad[k] = unit_rad(0.2 * sin(k));
	r->crank = (struct crank_totals){.teeth_seen = 10080,
	                                 .teeth_missed = 3,
	                                 .teeth_extra = 2,
	                                 .index_seen = 140,
	                                 .index_missed = 1,
	                                 .index_bounces = 7,
	                                 .flagged_s = 0.4,
	                                 .sum_sd2 = 10080 * unit_rad(0.02) * unit_rad(0.02),
	                                 .sd_n = 10080};
	r->controller_slips = 2;
	r->slip_n = 2;
	r->slip[0] = (struct slip){.t_us = 5000000, .theta_rad = 7, .edges = -1, .cause = SLIP_MISSED};
	r->slip[1] = (struct slip){.t_us = 9000000, .theta_rad = 3, .edges = 4, .cause = SLIP_BURST};
}

static void fill_profile(struct report *r)
{
	r->profile_n = 60;
	for (size_t i = 0; i < r->profile_n; i++)
		r->profile[i] = (struct report_profile_point){.t_s = (double)i,
		                                              .rpm = 120 + 20 * sin((double)i / 9),
		                                              .supply_pa = 5.5e5,
		                                              .angle_sd_rad = 0.0003,
		                                              .slips = i == 5 || i == 9};
}

struct report *report_rig_empty(void)
{
	struct report *r = calloc(1, sizeof *r);
	ck_assert_ptr_nonnull(r);
	r->engine = stroke_rig_engine;
	r->mech = mech_of(&r->engine);
	strcpy(r->file, "ride-7");
	r->duration_s = 61.5;
	r->revolutions = NAN;
	r->speed_rpm = r->supply_pa = (struct report_range){NAN, NAN, NAN};
	r->air_kg_per_turn = r->air_error_kg = NAN;
	for (int w = 0; w < AIR_WAYS; w++)
		r->air[w] = (struct air_known){NAN, NAN};
	r->counts.records = 1234;
	return r;
}

struct report *report_rig_full(void)
{
	struct report *r = report_rig_empty();
	strcpy(r->engine.name, "Number 7 trolley");
	r->start_utc_us = 1764057600000000;
	r->revolutions = 140;
	r->speed_rpm = (struct report_range){61, 121, 204};
	r->supply_pa = (struct report_range){5.3e5, 5.5e5, 5.7e5};
	r->clock = (struct clock_result){.known = true, .skew_ppm = 118, .skew_ppm_ci95 = {115, 121}};
	for (int end = 0; end < END_COUNT; end++) {
		fill_strokes(r, end);
		fill_gains(&r->gains[end]);
		for (int kind = 0; kind < EVENT_KINDS; kind++)
			fill_event(&r->event[r->event_n++], end, kind);
	}
	r->torque =
	    (struct torque_summary){.turns = 139, .mean_nm = 48.3, .mean_sd_nm = 0.3, .most_nm = 52.1};
	r->air_kg_per_turn = 2.8e-3;
	r->air_error_kg = 2e-4;
	r->air[AIR_BY_CHAMBERS] = (struct air_known){2.8e-3, 2e-4};
	r->air[AIR_BY_TANK] = (struct air_known){2.9e-3, 3e-4};
	fill_wheel(r);
	fill_profile(r);
	for (size_t i = 0; i < 400; i++)
		r->point[r->point_n++] =
		    (struct report_event_point){.end = (uint8_t)(i % 2),
		                                .event = (uint8_t)(i / 2 % 4),
		                                .rpm = (float)(60 + 140 * (double)i / 400),
		                                .error_deg = (float)(3 + 0.07 * (double)i)};
	report_say(&r->limits, "speed: 204 rpm was reached; the limit is 200 rpm.");
	report_say(&r->warnings, "a warning");
	report_say(&r->advice, "lead the cap inlet by 20 ms");
	return r;
}

int report_rig_plain_text(const struct report *r, FILE *out)
{
	return report_text(r, out, false);
}

char *report_rig_render(const struct report *r, int (*render)(const struct report *, FILE *))
{
	char *text = NULL;
	size_t n = 0;
	FILE *f = open_memstream(&text, &n);
	ck_assert_ptr_nonnull(f);
	ck_assert_int_eq(render(r, f), 0);
	fclose(f);
	return text;
}
