/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Whole rehearsals: repeatable, alike on both links, and a truth that agrees
 * with the records. */
#include "analyse/rehearse/outlet.h"
#include "common/link.h"
#include "common/mech.h"
#include "common/unit.h"
#include "tests/rehearse_rig.h"

#include <check.h>
#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define FAULTS                                                                                               \
	"miss=0.02", "extra=0.02", "edge_bounce=0.02", "miss_edge=0.01", "burst_rate=30", "index_miss=0.1",  \
	    "index_bounce=0.5", "index_extra=10", "threshold_drift=0.2", "loss_rate=60", "disorder=0.02"

struct ride_run {
	struct rehearse_rig_log log;
	struct rehearse *r;
	const struct truth *t;
};

static struct ride_run ride(const char *const *assignments, const char *truth_dir)
{
	struct ride_run x = {.log = {.len = 0}};
	struct engine e = rehearse_rig_engine();
	struct settings s = rehearse_rig_settings(assignments);
	x.r = rehearse_rig_run(&e, &s, truth_dir, &x.log);
	x.t = rehearse_truth(x.r);
	engine_free(&e);
	return x;
}

static void ride_free(struct ride_run *x)
{
	rehearse_free(x->r);
	rehearse_rig_log_free(&x->log);
}

static bool same_log(const struct rehearse_rig_log *a, const struct rehearse_rig_log *b)
{
	if (a->len != b->len)
		return false;
	for (size_t i = 0; i < a->len; i++)
		if (!record_equal(&a->record[i], &b->record[i]))
			return false;
	return true;
}

static struct ride_run seeded(uint64_t seed)
{
	struct ride_run x = {.log = {.len = 0}};
	struct engine e = rehearse_rig_engine();
	struct settings s =
	    rehearse_rig_settings((const char *const[]){FAULTS, "duration=2", "drive=2", NULL});
	s.seed = seed;
	x.r = rehearse_rig_run(&e, &s, NULL, &x.log);
	engine_free(&e);
	return x;
}

START_TEST(the_same_seed_gives_the_same_records_and_another_does_not)
{
	struct ride_run a = seeded(3), b = seeded(3), c = seeded(4);
	ck_assert_uint_gt(a.log.len, 1000);
	ck_assert(same_log(&a.log, &b.log));
	ck_assert(!same_log(&a.log, &c.log));
	ride_free(&a);
	ride_free(&b);
	ride_free(&c);
}
END_TEST

static void keep_decoded(void *ctx, const struct record *r)
{
	struct rehearse_sink sink = rehearse_rig_sink(ctx);
	sink.record(sink.ctx, r);
}

/* Encodes and decodes a log; bytes and damage are counted by the decoder. */
static struct rehearse_rig_log through_link(const struct rehearse_rig_log *in, enum link_kind kind)
{
	struct rehearse_rig_log out = {.len = 0};
	const struct link_sink sink = {.ctx = &out, .record = keep_decoded};
	struct link_encoder *e = link_encoder_new(kind);
	struct link_decoder *d = link_decoder_new(kind);
	uint8_t bytes[LINK_ENCODE_MAX];
	for (size_t i = 0; i < in->len; i++)
		link_decode(d, bytes, link_encode(e, &in->record[i], bytes), &sink);
	link_decode(d, bytes, link_encode_end(e, bytes), &sink);
	link_decode_end(d, &sink);
	ck_assert_uint_eq(link_decoder_counts(d)->damaged_bytes, 0);
	link_encoder_free(e);
	link_decoder_free(d);
	return out;
}

START_TEST(both_links_carry_the_same_records)
{
	struct ride_run a = seeded(5);
	struct rehearse_rig_log lines = through_link(&a.log, LINK_LINES),
	                        frames = through_link(&a.log, LINK_FRAMES);
	ck_assert(same_log(&a.log, &lines));
	ck_assert(same_log(&a.log, &frames));
	rehearse_rig_log_free(&lines);
	rehearse_rig_log_free(&frames);
	ride_free(&a);
}
END_TEST

START_TEST(without_faults_every_edge_and_command_is_in_the_log)
{
	struct ride_run x = ride((const char *const[]){"duration=5", "drive=1", "rpm=120", NULL}, NULL);
	const struct truth *t = x.t;
	/* 120 rpm, 5 s: 10 turns of 36 teeth */
	ck_assert_uint_ge(t->teeth, 359);
	ck_assert_uint_le(t->teeth, 361);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_TOOTH, -1), t->edges);
	ck_assert_uint_eq(t->edges_emitted, t->edges);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_INDEX, 1), t->index_closed);
	ck_assert_uint_eq(t->index_closed, 10);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_VALVE, -1), t->commands);
	ck_assert_uint_ge(t->commands, 72);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_SAMPLE, -1), t->samples);
	ck_assert_uint_eq(t->slips, 0);
	ck_assert_uint_eq(t->teeth_missed + t->edges_extra + t->edges_busy, 0);
	ride_free(&x);
}
END_TEST

START_TEST(records_leave_in_the_order_of_time)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=2", "drive=1", "rpm=120", "index_bounce=1", NULL}, NULL);
	uint32_t last = 0;
	for (size_t i = 0; i < x.log.len; i++) {
		if (x.log.record[i].kind == RECORD_HELLO)
			continue;
		ck_assert_uint_ge(x.log.record[i].t_us, last);
		last = x.log.record[i].t_us;
	}
	ride_free(&x);
}
END_TEST

/* Every cause on its own, and together: what is sent is what was there, less
 * what was missed, plus what was false. */
static const char *const fault_mixes[][6] = {
    {"miss=0.05"},        {"extra=0.05"},
    {"edge_bounce=0.05"}, {"miss_edge=0.05"},
    {"burst_rate=60"},    {"miss=0.03", "extra=0.03", "edge_bounce=0.03", "miss_edge=0.03", "burst_rate=30"},
};

START_TEST(the_count_of_edges_adds_up_under_each_fault)
{
	const char *all[10] = {"duration=4", "drive=1", "rpm=120"};
	memcpy(all + 3, fault_mixes[_i], sizeof fault_mixes[_i]);
	struct ride_run x = ride(all, NULL);
	const struct truth *t = x.t;
	uint64_t faults = t->edges_missed + t->edges_extra + t->edges_busy;
	ck_assert_uint_gt(faults, 0);
	/* A pulse that begins before the end of the ride may end after it. */
	uint64_t expected = t->edges - t->edges_missed + t->edges_extra - t->edges_busy;
	ck_assert_uint_le(t->edges_emitted, expected);
	ck_assert_uint_ge(t->edges_emitted + 2, expected);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_TOOTH, -1), t->edges_emitted);
	ck_assert_uint_gt(t->slips, 0);
	ride_free(&x);
}
END_TEST

START_TEST(levels_alternate_when_the_sender_is_not_too_busy)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=4", "drive=1", "rpm=120", "miss=0.05", "extra=0.05",
	                               "edge_bounce=0.05", "burst_rate=60", NULL},
	         NULL);
	int64_t last = -1;
	for (size_t i = 0; i < x.log.len; i++) {
		if (x.log.record[i].kind != RECORD_TOOTH)
			continue;
		ck_assert_int_ne(x.log.record[i].value, last);
		last = x.log.record[i].value;
	}
	ride_free(&x);
}
END_TEST

START_TEST(teeth_are_missed_at_the_asked_rate)
{
	struct ride_run x = ride(
	    (const char *const[]){"duration=20", "drive=1", "rpm=300", "miss=0.1", "rate=0", NULL}, NULL);
	double n = (double)x.t->teeth, expected = 0.1 * n;
	ck_assert_double_gt(n, 3500);
	/* binomial, 4 standard deviations */
	ck_assert_double_eq_tol((double)x.t->teeth_missed, expected, 4 * sqrt(expected * 0.9));
	ride_free(&x);
}
END_TEST

START_TEST(one_bad_tooth_slips_the_count_once_a_turn_and_the_index_heals_it)
{
	struct ride_run x = ride(
	    (const char *const[]){"duration=5", "drive=1", "rpm=120", "start_mode=1", "miss_tooth=20", NULL},
	    NULL);
	ck_assert_uint_ge(x.t->teeth_missed, 9);
	ck_assert_uint_eq(x.t->slips, x.t->teeth_missed);
	for (uint64_t i = 0; i < x.t->slips; i++) {
		ck_assert_int_eq(x.t->slip[i].cause, CAUSE_SAME_TOOTH);
		ck_assert_int_eq(x.t->slip[i].teeth, -1);
		if (i + 1 < x.t->slips)
			ck_assert_double_lt(x.t->slip[i].healed_us - x.t->slip[i].t_us, 0.5e6);
	}
	ride_free(&x);
}
END_TEST

START_TEST(teeth_are_missed_only_above_their_speed)
{
	struct ride_run slow = ride(
	    (const char *const[]){"duration=3", "drive=1", "rpm=100", "miss=0.3", "miss_above=150", NULL},
	    NULL);
	struct ride_run fast = ride(
	    (const char *const[]){"duration=3", "drive=1", "rpm=200", "miss=0.3", "miss_above=150", NULL},
	    NULL);
	ck_assert_uint_eq(slow.t->teeth_missed, 0);
	ck_assert_uint_gt(fast.t->teeth_missed, 50);
	ride_free(&slow);
	ride_free(&fast);
}
END_TEST

START_TEST(a_false_index_puts_the_count_out)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=10", "drive=1", "rpm=60", "index_extra=30", NULL}, NULL);
	ck_assert_uint_gt(x.t->index_extra, 0);
	ck_assert_uint_gt(x.t->slips, 0);
	ck_assert_int_eq(x.t->slip[0].cause, CAUSE_INDEX);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_INDEX, 1), x.t->index_closed + x.t->index_extra);
	ride_free(&x);
}
END_TEST

START_TEST(index_misses_and_bounces_are_counted)
{
	struct ride_run x = ride((const char *const[]){"duration=10", "drive=1", "rpm=120", "index_miss=0.3",
	                                               "index_bounce=1", "index_bounces=2", NULL},
	                         NULL);
	ck_assert_uint_gt(x.t->index_missed, 0);
	uint64_t seen = x.t->index_closed - x.t->index_missed;
	ck_assert_uint_eq(x.t->index_bounces, 2 * seen);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_INDEX, 1), 3 * seen);
	ride_free(&x);
}
END_TEST

START_TEST(what_the_sender_drops_it_says)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=5", "drive=1", "loss_rate=100", "loss_batch=7", NULL}, NULL);
	int64_t said = 0;
	for (size_t i = 0; i < x.log.len; i++)
		if (x.log.record[i].kind == RECORD_LOST)
			said += x.log.record[i].value;
	ck_assert_int_gt(said, 0);
	struct ride_run whole = ride((const char *const[]){"duration=5", "drive=1", NULL}, NULL);
	size_t notices = rehearse_rig_count(&x.log, RECORD_LOST, -1);
	ck_assert_uint_eq(x.log.len - notices + (size_t)said, whole.log.len);
	ck_assert_uint_ge(x.t->records_lost, (size_t)said);
	ck_assert_uint_lt(x.t->records_lost, (size_t)said + 7); /* the last batch may not be over */
	ride_free(&x);
	ride_free(&whole);
}
END_TEST

START_TEST(a_reset_starts_the_clock_again_and_says_hello)
{
	struct ride_run x = ride(
	    (const char *const[]){"duration=4", "drive=1", "reset_at=2.5", "counter=100000000", NULL}, NULL);
	ck_assert_uint_eq(rehearse_rig_count(&x.log, RECORD_HELLO, 1), 2);
	ck_assert_uint_ge(x.log.record[1].t_us, 100000000);
	ck_assert_uint_lt(x.log.record[x.log.len - 1].t_us, 1600000);
	ride_free(&x);
}
END_TEST

static const struct truth_mean *mean_of(const struct truth *t, unsigned valve, enum engine_end end,
                                        enum valve_event e)
{
	return &t->delay_ms[valve][end][e];
}

START_TEST(delays_in_the_truth_are_those_that_were_set)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=12", "drive=1", "rpm=150", "rate=0", "open_delay=20",
	                               "open_ramp=4", "shut_delay=25", "shut_ramp=6", "delay_jitter=0.3",
	                               "open_delay.2=9", NULL},
	         NULL);
	const struct truth_mean *admission = mean_of(x.t, 0, END_CAP, EVENT_ADMISSION);
	const struct truth_mean *cut_off = mean_of(x.t, 0, END_CAP, EVENT_CUT_OFF);
	const struct truth_mean *other = mean_of(x.t, 2, END_ROD, EVENT_ADMISSION);
	ck_assert_uint_ge(admission->count, 28);
	/* half the ramp after the delay; 4 standard errors and half a step */
	double tolerance = 4 * 0.3 / sqrt(28) + 0.05;
	ck_assert_double_eq_tol(admission->sum / (double)admission->count, 22, tolerance);
	ck_assert_double_eq_tol(cut_off->sum / (double)cut_off->count, 28, tolerance);
	ck_assert_double_eq_tol(other->sum / (double)other->count, 11, tolerance);
	ride_free(&x);
}
END_TEST

START_TEST(a_sticking_valve_is_told_as_not_moved)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=8", "drive=1", "rpm=150", "stick.0=0.4", NULL}, NULL);
	const struct truth_mean *sticks = mean_of(x.t, 0, END_CAP, EVENT_ADMISSION);
	const struct truth_mean *moves = mean_of(x.t, 1, END_CAP, EVENT_RELEASE);
	ck_assert_uint_gt(sticks->not_moved, 2);
	ck_assert_uint_le(moves->not_moved, 1); /* the last may come after the end */
	ride_free(&x);
}
END_TEST

/* The cap end's loop as the samples alone tell it, with the exactly known
 * angle of an imposed constant speed of 120 rpm from 60 deg. */
struct diagram {
	double work_j, useful_deg;
};

static double known_deg(double t_us)
{
	return 60 + (t_us - 1e6) * 720e-6;
}

static struct diagram diagram_from_samples(const struct rehearse_rig_log *log, const struct engine *e,
                                           double from_us, double to_us)
{
	struct mech m = mech_of(e);
	struct diagram d = {0};
	double last_p = NAN, last_v = NAN, supply = NAN;
	for (size_t i = 0; i < log->len; i++) {
		const struct record *r = &log->record[i];
		if (r->kind != RECORD_SAMPLE || r->t_us < from_us || r->t_us > to_us)
			continue;
		double p = engine_sensor_value(&e->sensor[r->channel], (double)r->value);
		if (r->channel == 0)
			supply = p - e->ambient_pa;
		if (r->channel != 1)
			continue;
		double theta = known_deg(r->t_us), v = mech_volume_m3(&m, END_CAP, unit_rad(theta));
		if (!isnan(last_p))
			d.work_j += (p + last_p) / 2 * (v - last_v);
		if (fmod(theta, 360) < 180 && p - e->ambient_pa >= supply / 10)
			d.useful_deg += 720 / 10000.0; /* one sample at 10 kHz */
		last_p = p;
		last_v = v;
	}
	return d;
}

static char truth_dir[] = "/tmp/trammel-truth-XXXXXX";

static void make_truth_dir(void)
{
	strcpy(truth_dir + strlen(truth_dir) - 6, "XXXXXX");
	ck_assert_ptr_nonnull(mkdtemp(truth_dir));
}

static FILE *open_truth(const char *name)
{
	char path[200];
	snprintf(path, sizeof path, "%s/%s", truth_dir, name);
	FILE *f = fopen(path, "r");
	ck_assert_ptr_nonnull(f);
	return f;
}

static void remove_truth_dir(void)
{
	static const char *const names[] = {"crank_truth.csv", "valve_truth.csv", "stroke_truth.csv",
	                                    "truth.json"};
	for (size_t i = 0; i < 4; i++) {
		char path[200];
		snprintf(path, sizeof path, "%s/%s", truth_dir, names[i]);
		ck_assert_int_eq(unlink(path), 0);
	}
	ck_assert_int_eq(rmdir(truth_dir), 0);
}

static void fine_counts(struct engine *e) /* 10 bar gauge in a million counts */
{
	for (int i = 0; i < 2; i++) {
		e->sensor[i].counts[0] = 0;
		e->sensor[i].counts[1] = 1e6;
	}
}

START_TEST(work_and_useful_angle_in_the_truth_are_those_of_the_diagram)
{
	make_truth_dir();
	struct engine e = rehearse_rig_engine();
	fine_counts(&e);
	struct settings s = rehearse_rig_settings(
	    (const char *const[]){"duration=4", "drive=1", "rpm=120", "rate=10000", "rate.2=0", "noise=0",
	                          "lag=0", "adc_bits=24", "skew=0", "tick=1", "opens.1=120", NULL});
	struct rehearse_rig_log log = {.len = 0};
	struct rehearse *r = rehearse_rig_run(&e, &s, truth_dir, &log);
	char line[300], end[8];
	double from_us, to_us, work, useful;
	int compared = 0, short_strokes = 0;
	FILE *f = open_truth("stroke_truth.csv");
	while (fgets(line, sizeof line, f) != NULL) {
		if (sscanf(line, "%7[a-z],%*d,%lf,%lf,%lf,%lf", end, &from_us, &to_us, &work, &useful) != 5 ||
		    strcmp(end, "cap") != 0)
			continue;
		struct diagram d = diagram_from_samples(&log, &e, from_us, to_us);
		ck_assert_double_gt(work, 20);
		ck_assert_double_eq_tol(d.work_j, work, 2e-3 * work);
		short_strokes += useful < 170; /* the exhaust opens early once the index is known */
		ck_assert_double_eq_tol(d.useful_deg, useful, 0.25);
		compared++;
	}
	ck_assert_int_ge(compared, 5);
	ck_assert_int_ge(short_strokes, 4);
	fclose(f);
	remove_truth_dir();
	rehearse_free(r);
	rehearse_rig_log_free(&log);
	engine_free(&e);
}
END_TEST

START_TEST(valve_events_in_the_truth_have_their_exact_time_and_angle)
{
	make_truth_dir();
	struct ride_run x = ride((const char *const[]){"duration=3", "drive=1", "rpm=120", "rate=0", "skew=0",
	                                               "delay_jitter=0", NULL},
	                         truth_dir);
	FILE *f = open_truth("valve_truth.csv");
	char line[300], event[16];
	double command_us, half_us, theta;
	int compared = 0;
	while (fgets(line, sizeof line, f) != NULL) {
		if (sscanf(line, "%*u,%*[a-z],%15[a-z_],%lf,%lf,%lf", event, &command_us, &half_us, &theta) !=
		    4)
			continue;
		bool on = strcmp(event, "admission") == 0 || strcmp(event, "release") == 0;
		/* delay and half the ramp: 12 + 4/2 ms, 15 + 5/2 ms; printed to 1 us */
		ck_assert_double_eq_tol(half_us - command_us, on ? 14000 : 17500, 1.01);
		ck_assert_double_eq_tol(theta, known_deg(half_us), 1e-3);
		compared++;
	}
	ck_assert_int_ge(compared, 40);
	fclose(f);
	remove_truth_dir();
	ride_free(&x);
}
END_TEST

START_TEST(the_crank_table_holds_the_angle_of_every_edge_sent)
{
	make_truth_dir();
	struct ride_run x =
	    ride((const char *const[]){"duration=3", "drive=1", "rpm=120", "skew=0", NULL}, truth_dir);
	FILE *f = open_truth("crank_truth.csv");
	char line[200];
	ck_assert_ptr_nonnull(fgets(line, sizeof line, f));
	ck_assert_str_eq(line, "t_us,theta_deg,rpm\n");
	size_t rows = 0, at = 0;
	double t_us, theta, rpm;
	while (fgets(line, sizeof line, f) != NULL && sscanf(line, "%lf,%lf,%lf", &t_us, &theta, &rpm) == 3) {
		while (x.log.record[at].kind != RECORD_TOOTH)
			at++;
		/* stamped up to isr = 6 us late, to a tick of 4 us */
		double late_us = (double)x.log.record[at++].t_us - t_us;
		ck_assert_double_ge(late_us, -4.5);
		ck_assert_double_le(late_us, 6.5);
		ck_assert_double_eq_tol(theta, 60 + (t_us - 1e6) * 720e-6, 1e-3);
		ck_assert_double_eq_tol(rpm, 120, 1e-3);
		rows++;
	}
	ck_assert_uint_eq(rows, x.t->edges);
	fclose(f);
	remove_truth_dir();
	ride_free(&x);
}
END_TEST

START_TEST(in_a_steady_state_as_much_air_leaves_as_is_admitted)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=20", "drive=1", "rpm=120", "rate=0", NULL}, NULL);
	double turns = x.t->crank_turns;
	double per_turn = x.t->air_g[END_CAP] / (double)x.t->strokes[END_CAP] +
	                  x.t->air_g[END_ROD] / (double)x.t->strokes[END_ROD];
	ck_assert_double_gt(per_turn, 1);
	ck_assert_double_eq_tol(x.t->vented_g, per_turn * turns, 0.02 * x.t->vented_g);
	ride_free(&x);
}
END_TEST

START_TEST(half_the_step_gives_the_same_work)
{
	const char *settings[] = {"duration=6",     "drive=1",          "rpm=150",  "rate=0",
	                          "delay_jitter=0", "latency_jitter=0", "step=0.1", NULL};
	struct ride_run coarse = ride(settings, NULL);
	settings[6] = "step=0.05";
	struct ride_run fine = ride(settings, NULL);
	for (int end = END_CAP; end < END_COUNT; end++) {
		double a = coarse.t->work_j[end] / (double)coarse.t->strokes[end];
		double b = fine.t->work_j[end] / (double)fine.t->strokes[end];
		ck_assert_double_eq_tol(a, b, 2e-3 * b);
	}
	ride_free(&coarse);
	ride_free(&fine);
}
END_TEST

START_TEST(useful_angle_is_nearly_the_whole_stroke_at_full_admission_and_slow)
{
	struct ride_run x =
	    ride((const char *const[]){"duration=12", "drive=1", "rpm=30", "rate=0", "open_delay=1",
	                               "shut_delay=1", "shuts.0=170", "shuts.2=350", "opens.1=180",
	                               "opens.3=0", "count_edges=2", "interpolate=1", NULL},
	         NULL);
	ck_assert_uint_ge(x.t->strokes[END_CAP], 4);
	ck_assert_double_gt(x.t->useful_deg[END_CAP] / (double)x.t->strokes[END_CAP], 175);
	ck_assert_double_le(x.t->useful_deg[END_CAP] / (double)x.t->strokes[END_CAP], 180.01);
	ride_free(&x);
}
END_TEST

static struct ride_run named_ride(const char *name, const char *duration)
{
	struct ride_run x = {.log = {.len = 0}};
	struct engine e = rehearse_rig_engine();
	struct settings s = settings_default();
	struct fault f = {0};
	ck_assert_int_eq(settings_ride(&s, name, &f), 0);
	ck_assert_int_eq(settings_apply(&s, duration, &f), 0);
	x.r = rehearse_rig_run(&e, &s, NULL, &x.log);
	x.t = rehearse_truth(x.r);
	engine_free(&e);
	return x;
}

static const char *const rides[] = {"late", "sensor", "tuned", "sweep", "constant", "coast", "start"};

START_TEST(every_named_ride_turns)
{
	struct ride_run x = named_ride(rides[_i], "duration=8");
	ck_assert_double_gt(x.t->crank_turns, 5);
	ck_assert_uint_gt(x.t->strokes[END_ROD], 3);
	ck_assert(isfinite(x.t->work_j[END_CAP]));
	ck_assert_double_lt(x.t->rpm_max, 400);
	ride_free(&x);
}
END_TEST

START_TEST(the_tuned_engine_does_the_same_way_on_less_air)
{
	struct ride_run late = named_ride("late", "duration=15"), tuned = named_ride("tuned", "duration=15");
	double late_air = late.t->vented_g / late.t->crank_turns,
	       tuned_air = tuned.t->vented_g / tuned.t->crank_turns;
	ck_assert_double_lt(tuned_air, 0.9 * late_air);
	ck_assert_double_gt(tuned.t->crank_turns, late.t->crank_turns);
	ride_free(&late);
	ride_free(&tuned);
}
END_TEST

START_TEST(a_start_rocks_back_before_it_goes)
{
	struct ride_run x = named_ride("start", "duration=8");
	ck_assert_uint_ge(x.t->reversals, 3);
	ck_assert_uint_ge(x.t->slips, 1);
	ck_assert_int_eq(x.t->slip[0].cause, CAUSE_REVERSAL);
	ride_free(&x);
}
END_TEST

/* The demo engine's facts with another mechanism and 5/2 valves. */
static const char two_way[] =
    "[engine]\nname = Five-port\nmechanism = crosshead\nrod length = 220 mm\noffset = 12 mm\n"
    "crank radius = 40 mm\nbore = 50 mm\nrod = 16 mm\nclearance cap = 12 ml\nclearance rod = 12 ml\n"
    "ambient = 1.013 bar\nair temperature = 18 degC\n"
    "[teeth]\ncount = 24\nedges = rising\nindex angle = 100 deg\n"
    "[valve 0]\nrole = cap inlet, rod exhaust\nopens = 0 deg\nshuts = 180 deg\n"
    "[sensor 0]\nrole = supply\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n";

START_TEST(one_spring_returned_valve_drives_a_crosshead_engine)
{
	struct engine e = rehearse_rig_engine_of(two_way);
	struct settings s = rehearse_rig_settings((const char *const[]){
	    "duration=6", "rpm=60", "start_mode=1", "start_angle=20", "brake=5", "inertia=0.8", NULL});
	struct rehearse_rig_log log = {.len = 0};
	struct rehearse *r = rehearse_rig_run(&e, &s, NULL, &log);
	const struct truth *t = rehearse_truth(r);
	ck_assert_double_gt(t->crank_turns, 6);
	ck_assert_uint_gt(mean_of(t, 0, END_ROD, EVENT_RELEASE)->count, 4);
	ck_assert_uint_gt(mean_of(t, 0, END_ROD, EVENT_CUT_OFF)->count, 4); /* by the spring return */
	ck_assert_double_gt(t->work_j[END_ROD], 0);
	ck_assert_uint_eq(rehearse_rig_count(&log, RECORD_TOOTH, 0), 0); /* rising edges only */
	rehearse_free(r);
	rehearse_rig_log_free(&log);
	engine_free(&e);
}
END_TEST

#define SMALL_ENGINE                                                                                         \
	"[engine]\nname = Small\nmechanism = oscillating cylinder\npivot distance = 200 mm\n"                \
	"crank radius = 30 mm\nbore = 40 mm\nclearance cap = 8 ml\nambient = 1.013 bar\n"

static const char single[] =
    SMALL_ENGINE "[teeth]\ncount = 20\nedges = both\ncrank ratio = 2\nindex angle = 10 deg\n"
                 "[valve 0]\nrole = cap inlet\nopens = 5 deg\nshuts = 90 deg\nlead open = 14 ms\n"
                 "[valve 1]\nrole = cap exhaust\nopens = 355 deg\nshuts = 170 deg\nrest = open\n"
                 "[sensor 0]\nrole = cap\nlow = 102 counts, 0 bar gauge\nhigh = 921 counts, 10 bar gauge\n";

/* Single-acting, wheel geared 2 : 1, exhaust open at rest, one lead in the engine file. */
START_TEST(other_kinds_of_engine_turn_too)
{
	struct engine e = rehearse_rig_engine_of(single);
	struct settings s = rehearse_rig_settings((const char *const[]){
	    "duration=8", "rpm=120", "inertia=0.3", "viscous=0.01", "friction=0.4", "pressure_friction=0.05",
	    "count_edges=2", "interpolate=1", "latency=0", "latency_jitter=0", NULL});
	struct rehearse_rig_log log = {.len = 0};
	struct rehearse *r = rehearse_rig_run(&e, &s, NULL, &log);
	const struct truth *t = rehearse_truth(r);
	ck_assert_double_gt(t->crank_turns, 8);
	ck_assert_double_eq_tol((double)t->teeth, 40 * t->crank_turns, 2);
	ck_assert_uint_eq(t->slips, 0);
	ck_assert_uint_gt(t->strokes[END_CAP], 6);
	ck_assert_double_gt(t->work_j[END_CAP], 0);
	ck_assert_uint_eq(t->strokes[END_ROD], 0);
	ck_assert_uint_gt(mean_of(t, 1, END_CAP, EVENT_COMPRESSION)->count, 6); /* coil on: shut */
	/* the lead of 14 ms, tenths of a degree, at the final speed; the other setting has none */
	double most = 14e-3 * 6 * t->rpm_max * 10;
	for (size_t i = log.len / 2; i < log.len; i++) {
		const struct record *v = &log.record[i];
		if (v->kind != RECORD_VALVE || v->channel != 0)
			continue;
		double early = v->intended_ddeg - v->controller_ddeg;
		early -= 3600 * floor(early / 3600 + 0.5);
		if (v->value == 1)
			ck_assert(early > most / 2 && early < 1.02 * most);
		else
			ck_assert(fabs(early) <= 5);
	}
	rehearse_free(r);
	rehearse_rig_log_free(&log);
	engine_free(&e);
}
END_TEST

START_TEST(an_engine_without_teeth_or_index_cannot_be_rehearsed)
{
	struct engine e = rehearse_rig_engine();
	struct settings s = settings_default();
	struct rehearse_rig_log log = {.len = 0};
	struct rehearse_sink sink = rehearse_rig_sink(&log);
	struct fault f = {0};
	e.index_rad = NAN;
	ck_assert_ptr_null(rehearse_new(&e, &s, NULL, &sink, &f));
	ck_assert_int_eq(f.exit_code, EX_DATAERR);
	ck_assert_ptr_nonnull(strstr(f.text, "index angle"));
	e.tooth_count = 0;
	ck_assert_ptr_null(rehearse_new(&e, &s, NULL, &sink, &f));
	ck_assert_ptr_nonnull(strstr(f.text, "[teeth] count"));
	engine_free(&e);
}
END_TEST

struct reader {
	char path[128];
	size_t bytes;
};

static void *read_all(void *ctx)
{
	struct reader *x = ctx;
	char buffer[4096];
	int fd = open(x->path, O_RDONLY | O_NOCTTY);
	for (ssize_t n; (n = read(fd, buffer, sizeof buffer)) > 0;)
		x->bytes += (size_t)n;
	close(fd);
	return NULL;
}

START_TEST(a_pseudo_terminal_waits_for_its_reader_and_loses_nothing)
{
	struct fault f = {0};
	struct reader x = {.bytes = 0};
	struct outlet *o = outlet_pty(LINK_LINES, x.path, sizeof x.path, &f);
	ck_assert_msg(o != NULL, "%s", f.text);
	pthread_t thread;
	ck_assert_int_eq(pthread_create(&thread, NULL, read_all, &x), 0);
	ck_assert_int_eq(outlet_wait_for_reader(o, &f), 0);
	struct rehearse_sink sink = outlet_sink(o);
	size_t expected = 0;
	for (uint32_t i = 0; i < 3000; i++) {
		struct record r = record_make(RECORD_TOOTH, 100000 + i, 0, i % 2);
		ck_assert_int_eq(sink.record(sink.ctx, &r), 0);
		expected += strlen("tooth,100000,0*00\n");
	}
	ck_assert_int_eq(outlet_close(o, &f), 0);
	pthread_join(thread, NULL);
	ck_assert_uint_eq(x.bytes, expected);
}
END_TEST

START_TEST(a_full_disk_is_told)
{
	struct fault f = {0};
	struct outlet *o = outlet_file("/dev/full", LINK_LINES, &f);
	ck_assert_ptr_nonnull(o);
	struct rehearse_sink sink = outlet_sink(o);
	struct record r = record_make(RECORD_TOOTH, 1, 0, 1);
	sink.record(sink.ctx, &r);
	ck_assert_int_eq(outlet_close(o, &f), -1);
	ck_assert_int_eq(f.exit_code, EX_IOERR);
	ck_assert_ptr_nonnull(strstr(f.text, "No space left"));
}
END_TEST

static void add_dynamics(TCase *t)
{
	tcase_add_test(t, delays_in_the_truth_are_those_that_were_set);
	tcase_add_test(t, a_sticking_valve_is_told_as_not_moved);
	tcase_add_test(t, work_and_useful_angle_in_the_truth_are_those_of_the_diagram);
	tcase_add_test(t, valve_events_in_the_truth_have_their_exact_time_and_angle);
	tcase_add_test(t, the_crank_table_holds_the_angle_of_every_edge_sent);
	tcase_add_test(t, in_a_steady_state_as_much_air_leaves_as_is_admitted);
	tcase_add_test(t, half_the_step_gives_the_same_work);
	tcase_add_test(t, useful_angle_is_nearly_the_whole_stroke_at_full_admission_and_slow);
	tcase_add_loop_test(t, every_named_ride_turns, 0, sizeof rides / sizeof *rides);
	tcase_add_test(t, the_tuned_engine_does_the_same_way_on_less_air);
	tcase_add_test(t, a_start_rocks_back_before_it_goes);
	tcase_add_test(t, one_spring_returned_valve_drives_a_crosshead_engine);
	tcase_add_test(t, other_kinds_of_engine_turn_too);
}

static void add_records(TCase *t)
{
	tcase_add_test(t, the_same_seed_gives_the_same_records_and_another_does_not);
	tcase_add_test(t, both_links_carry_the_same_records);
	tcase_add_test(t, without_faults_every_edge_and_command_is_in_the_log);
	tcase_add_test(t, records_leave_in_the_order_of_time);
	tcase_add_loop_test(t, the_count_of_edges_adds_up_under_each_fault, 0,
	                    sizeof fault_mixes / sizeof *fault_mixes);
	tcase_add_test(t, levels_alternate_when_the_sender_is_not_too_busy);
	tcase_add_test(t, teeth_are_missed_at_the_asked_rate);
	tcase_add_test(t, one_bad_tooth_slips_the_count_once_a_turn_and_the_index_heals_it);
	tcase_add_test(t, teeth_are_missed_only_above_their_speed);
	tcase_add_test(t, a_false_index_puts_the_count_out);
	tcase_add_test(t, index_misses_and_bounces_are_counted);
	tcase_add_test(t, what_the_sender_drops_it_says);
	tcase_add_test(t, a_reset_starts_the_clock_again_and_says_hello);
	tcase_add_test(t, an_engine_without_teeth_or_index_cannot_be_rehearsed);
	tcase_add_test(t, a_pseudo_terminal_waits_for_its_reader_and_loses_nothing);
	tcase_add_test(t, a_full_disk_is_told);
}

int main(void)
{
	Suite *s = suite_create("rehearse");
	TCase *records = tcase_create("records"), *dynamics = tcase_create("dynamics");
	tcase_set_timeout(records, 60);
	tcase_set_timeout(dynamics, 60);
	add_records(records);
	add_dynamics(dynamics);
	suite_add_tcase(s, records);
	suite_add_tcase(s, dynamics);
	SRunner *r = srunner_create(s);
	srunner_run_all(r, CK_NORMAL);
	int failed = srunner_ntests_failed(r);
	srunner_free(r);
	return failed == 0 ? EXIT_SUCCESS : EXIT_FAILURE;
}
