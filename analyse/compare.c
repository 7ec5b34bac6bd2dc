/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/compare.h"

#include "analyse/doubts.h"
#include "analyse/engine_differences.h"
#include "analyse/plan_machine.h"
#include "analyse/report_words.h"
#include "common/air.h"
#include "common/unit.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Rides whose speed or supply differ by more than this are hard to compare. */
static const double ALIKE = 0.05;
static const double MOVED_RAD = 0.035; /* 2 deg */
static const double Z95 = 1.959963984540054;

const char *compare_verdict_name(enum compare_verdict v)
{
	static const char *const NAME[] = {
	    [COMPARE_NOT_KNOWN] = "not known", [COMPARE_NO_DIFFERENCE] = "no difference shown",
	    [COMPARE_BETTER] = "better",       [COMPARE_WORSE] = "worse",
	    [COMPARE_DIFFERENT] = "different",
	};
	return NAME[v];
}

const char *compare_explanation(void)
{
	return "+/-: half of the 95 % interval of the change, by the scatter within the rides; of air, where "
	       "the valves move otherwise than "
	       "before, also by how well its balance is known. \"None "
	       "shown\" "
	       "does not mean that there is none: a longer ride may show a smaller one.";
}

double compare_half_width(double sd_a, unsigned n_a, double sd_b, unsigned n_b)
{
	if (!isfinite(sd_a) || !isfinite(sd_b) || n_a < 2 || n_b < 2)
		return NAN;
	double a = sd_a * sd_a, b = sd_b * sd_b, sum = a + b;
	if (sum == 0)
		return 0;
	/* B. L. Welch, Biometrika 34 (1947): degrees of freedom of the difference. */
	double freedom = sum * sum / (a * a / (n_a - 1) + b * b / (n_b - 1));
	return gsl_cdf_tdist_Pinv(0.975, freedom) * sqrt(sum);
}

/* --- rows ---------------------------------------------------------------- */

enum wanted { LARGER = 1, SMALLER = -1, NEITHER = 0, NEARER_ZERO = 2 };

static enum compare_verdict judge(const struct compare_row *r, enum wanted wanted)
{
	if (!isfinite(r->difference) || !isfinite(r->half_width))
		return COMPARE_NOT_KNOWN;
	if (fabs(r->difference) <= r->half_width)
		return COMPARE_NO_DIFFERENCE;
	if (wanted == NEITHER)
		return COMPARE_DIFFERENT;
	bool better = wanted == NEARER_ZERO ? fabs(r->after) < fabs(r->before)
	                                    : (r->difference > 0) == (wanted == LARGER);
	return better ? COMPARE_BETTER : COMPARE_WORSE;
}

struct pair { /* of one quantity */
	double before, after, half_width;
};

static void add(struct comparison *c, const char *what, const char *unit, int decimals, struct pair p,
                enum wanted wanted)
{
	if (c->n == COMPARE_ROWS_MAX || (!isfinite(p.before) && !isfinite(p.after)))
		return;
	struct compare_row *r = &c->row[c->n++];
	*r = (struct compare_row){.unit = unit,
	                          .decimals = decimals,
	                          .before = p.before,
	                          .after = p.after,
	                          .difference = p.after - p.before,
	                          .half_width = p.half_width};
	snprintf(r->what, sizeof r->what, "%s", what);
	r->verdict = judge(r, wanted);
}

/* --- valve events --------------------------------------------------------- */

static const struct valve_event_summary *same_event(const struct report *r,
                                                    const struct valve_event_summary *e)
{
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].valve == e->valve && r->event[i].end == e->end &&
		    r->event[i].event == e->event)
			return &r->event[i];
	return NULL;
}

/* By how much an error grows with speed, s: the valve's delay, and what the controller adds or, with a lead,
 * takes off; where one speed does not tell that, the lead in the engine file. */
static double slope_s(const struct report *r, const struct valve_event_summary *e)
{
	const struct engine_valve *v = &r->engine.valve[e->valve];
	if (e->separable && isfinite(e->latency_s))
		return e->delay_s + e->latency_s;
	bool opens = e->event == EVENT_ADMISSION || e->event == EVENT_RELEASE;
	bool on = opens == engine_energised_opens(
	                       v, plan_passage((enum engine_end)e->end, (enum valve_event_kind)e->event));
	return e->delay_s - (on ? v->lead_open_s : v->lead_shut_s);
}

static double slope_half_width_s(const struct valve_event_summary *e)
{
	double latency = e->separable ? words_half_width(e->latency_ci95_s) : 0;
	return hypot(words_half_width(e->delay_ci95_s), isfinite(latency) ? latency : 0);
}

/* Both errors at the speed half-way between the rides'. */
static struct pair errors_at_one_speed(const struct report *before, const struct valve_event_summary *a,
                                       const struct report *after, const struct valve_event_summary *b)
{
	double half = (b->speed_rad_s - a->speed_rad_s) / 2, slope_a = slope_s(before, a),
	       slope_b = slope_s(after, b);
	half = isfinite(half) && isfinite(slope_a) && isfinite(slope_b) ? half : 0;
	struct pair error = {.before = unit_deg(a->error_rad + (half == 0 ? 0 : half * slope_a)),
	                     .after = unit_deg(b->error_rad - (half == 0 ? 0 : half * slope_b))};
	error.half_width = hypot(words_half_width(a->error_ci95_rad), words_half_width(b->error_ci95_rad));
	if (half != 0)
		error.half_width =
		    hypot(error.half_width, half * hypot(slope_half_width_s(a), slope_half_width_s(b)));
	error.half_width = unit_deg(error.half_width);
	return error;
}

static void add_event(struct comparison *c, const struct report *before, const struct valve_event_summary *a,
                      const struct report *after, const struct valve_event_summary *b)
{
	char what[64];
	const char *end = engine_end_name((enum engine_end)a->end);
	snprintf(what, sizeof what, "%s %s, error", end, words_event(a->event));
	add(c, what, "deg", 1, errors_at_one_speed(before, a, after, b), NEARER_ZERO);
	struct pair delay = {.before = a->delay_s * 1e3, .after = b->delay_s * 1e3};
	delay.half_width = 1e3 * hypot(words_half_width(a->delay_ci95_s), words_half_width(b->delay_ci95_s));
	snprintf(what, sizeof what, "%s %s, delay", end, words_event(a->event));
	add(c, what, "ms", 2, delay, NEITHER);
}

static void add_events(struct comparison *c, const struct report *before, const struct report *after)
{
	for (size_t i = 0; i < before->event_n; i++) {
		const struct valve_event_summary *later = same_event(after, &before->event[i]);
		if (later != NULL)
			add_event(c, before, &before->event[i], after, later);
	}
}

/* --- strokes, air, count ---------------------------------------------------- */

/* Both lines at the speed half-way between the rides'. */
static struct pair pair_at_one_speed(const struct speed_line *a, const struct speed_line *b, double unit)
{
	double sd_a, sd_b, x = (a->mean_x + b->mean_x) / 2;
	double before = speed_line_at(a, x, &sd_a), after = speed_line_at(b, x, &sd_b);
	return (struct pair){before * unit, after * unit,
	                     unit * compare_half_width(sd_a, (unsigned)a->n, sd_b, (unsigned)b->n)};
}

static void add_strokes(struct comparison *c, const struct report *before, const struct report *after,
                        enum engine_end end)
{
	const struct stroke_summary *a = &before->stroke[end], *b = &after->stroke[end];
	char what[64];
	if (!before->has_strokes[end] || !after->has_strokes[end])
		return;
	snprintf(what, sizeof what, "%s, angle that pushed", engine_end_name(end));
	add(c, what, "deg", 1, pair_at_one_speed(&a->useful_line, &b->useful_line, unit_deg(1)), LARGER);
	snprintf(what, sizeof what, "%s, work a stroke", engine_end_name(end));
	add(c, what, "J", 2, pair_at_one_speed(&a->work_line, &b->work_line, 1), LARGER);
	snprintf(what, sizeof what, "%s, diagram factor", engine_end_name(end));
	add(c, what, "", 3, pair_at_one_speed(&a->factor_line, &b->factor_line, 1), LARGER);
}

struct economy { /* of a turn, both ends that were measured, at one speed */
	double work_j, work_sd_j, air_l, air_sd_l;
	unsigned n;
};

static struct economy economy_of(const struct report *r, double omega_rad_s)
{
	struct economy e = {.n = 0};
	for (int end = 0; end < END_COUNT; end++) {
		const struct stroke_summary *s = &r->stroke[end];
		double work_sd, air_sd;
		if (!r->has_strokes[end])
			continue;
		e.work_j += speed_line_at(&s->work_line, omega_rad_s, &work_sd);
		e.work_sd_j = hypot(e.work_sd_j, work_sd);
		e.air_l += air_normal_litre(speed_line_at(&s->air_line, omega_rad_s, &air_sd));
		e.air_sd_l = hypot(e.air_sd_l, air_normal_litre(air_sd));
		e.n = e.n == 0 || s->count < e.n ? s->count : e.n;
	}
	return e;
}

static double mean_speed_rad_s(const struct report *r)
{
	double sum = 0;
	int n = 0;
	for (int end = 0; end < END_COUNT; end++)
		if (r->has_strokes[end]) {
			sum += r->stroke[end].work_line.mean_x;
			n++;
		}
	return n > 0 ? sum / n : NAN;
}

/* Whether any valve moves at another angle than before. */
static bool valves_moved(const struct report *before, const struct report *after)
{
	for (size_t i = 0; i < before->event_n; i++) {
		const struct valve_event_summary *later = same_event(after, &before->event[i]);
		if (later != NULL &&
		    fabs(remainder(later->actual_rad - before->event[i].actual_rad, 2 * UNIT_PI)) > MOVED_RAD)
			return true;
	}
	return false;
}

/* What the balance of the air leaves unknown is the same in both rides and cancels, so long as the valves
 * move as before; else each ride's counts for itself.  As part of the air. */
static double air_doubt(const struct report *before, const struct report *after)
{
	double a = before->air_error_kg / before->air_kg_per_turn,
	       b = after->air_error_kg / after->air_kg_per_turn;
	return valves_moved(before, after) && isfinite(a) && isfinite(b) ? hypot(a, b) : 0;
}

static void add_economy(struct comparison *c, const struct report *before, const struct report *after)
{
	double omega = (mean_speed_rad_s(before) + mean_speed_rad_s(after)) / 2;
	struct economy a = economy_of(before, omega), b = economy_of(after, omega);
	if (a.n == 0 || b.n == 0 || before->has_strokes[END_CAP] != after->has_strokes[END_CAP] ||
	    before->has_strokes[END_ROD] != after->has_strokes[END_ROD])
		return;
	double doubt = air_doubt(before, after);
	struct pair air = {
	    a.air_l, b.air_l,
	    hypot(compare_half_width(a.air_sd_l, a.n, b.air_sd_l, b.n), doubt * (a.air_l + b.air_l) / 2)};
	add(c, "air a turn", "normal litres", 3, air, SMALLER);
	double per_a = a.work_j / a.air_l, per_b = b.work_j / b.air_l;
	double sd_a = per_a * hypot(a.work_sd_j / a.work_j, a.air_sd_l / a.air_l);
	double sd_b = per_b * hypot(b.work_sd_j / b.work_j, b.air_sd_l / b.air_l);
	struct pair per = {per_a, per_b,
	                   hypot(compare_half_width(fabs(sd_a), a.n, fabs(sd_b), b.n),
	                         doubt * (fabs(per_a) + fabs(per_b)) / 2)};
	add(c, "work of a normal litre", "J", 2, per, LARGER);
}

/* Events in a thousand turns; interval of a Poisson count by its own size, half a
 * count added so that nothing seen is not nothing possible. */
static void add_rate(struct comparison *c, const char *what, uint64_t before, double turns_before,
                     uint64_t after, double turns_after)
{
	if (!(turns_before > 0) || !(turns_after > 0))
		return;
	double a = 1000 / turns_before, b = 1000 / turns_after;
	struct pair p = {.before = (double)before * a, .after = (double)after * b};
	p.half_width = Z95 * sqrt(((double)before + 0.5) * a * a + ((double)after + 0.5) * b * b);
	add(c, what, "in 1000 turns", 1, p, SMALLER);
}

static void add_count(struct comparison *c, const struct report *a, const struct report *b)
{
	if (!a->has_crank || !b->has_crank)
		return;
	add_rate(c, "count slips", a->controller_slips, a->revolutions, b->controller_slips, b->revolutions);
	add_rate(c, "teeth missed", a->crank.teeth_missed, a->revolutions, b->crank.teeth_missed,
	         b->revolutions);
	add_rate(c, "false pulses", a->crank.teeth_extra, a->revolutions, b->crank.teeth_extra,
	         b->revolutions);
}

/* --- notes ------------------------------------------------------------------ */

static void note_unlike(struct report_lines *l, const char *what, double a, double b, const char *unit,
                        const char *but)
{
	if (isfinite(a) && isfinite(b) && fabs(b - a) > ALIKE * fabs(a))
		report_say(l, "The rides differ in %s: median %.3g against %.3g %s. %s", what, a, b, unit,
		           but);
}

static void note_held_back(struct report_lines *l, const char *which, const struct report *r)
{
	if (r->held_back != NULL)
		report_say(
		    l,
		    "The ride %s has its %s: errors, work and air of it are not to be trusted; see its "
		    "report.",
		    which, r->held_back);
}

static void note_short(struct report_lines *l, const char *which, const struct report *r)
{
	if (r->has_crank && r->revolutions < DOUBTS_TURNS_LEAST)
		report_say(
		    l,
		    "The ride %s has only %.0f turns: too few for its intervals to be trusted. Ride for "
		    "half a minute at least.",
		    which, r->revolutions);
}

static void note_engines(struct report_lines *l, const struct engine *a, const struct engine *b)
{
	char text[ENGINE_DIFFERENCES_MAX];
	if (engine_differences(a, b, DIFFERENT_MACHINE, text)[0] != '\0')
		report_say(l,
		           "The two logs carry different engine files: they differ in %s. A change of the "
		           "machine and one of its valves cannot be told apart here.",
		           text);
	else if (strcmp(a->name, b->name) != 0)
		report_say(l, "The two logs carry different engine files: they differ in the name.");
	if (engine_differences(a, b, DIFFERENT_READING, text)[0] != '\0')
		report_say(l,
		           "The engine files read the same log otherwise (%s): a difference may come from "
		           "that alone. Give one for both with --engine.",
		           text);
}

static void write_notes(struct comparison *c, const struct report *a, const struct report *b)
{
	note_held_back(&c->notes, "before", a);
	note_held_back(&c->notes, "after", b);
	note_short(&c->notes, "before", a);
	note_short(&c->notes, "after", b);
	if (a->selected[0] != '\0')
		report_say(&c->notes, "Only a part of each ride is counted; before: %s; after: %s.",
		           a->selected, b->selected);
	note_unlike(&c->notes, "speed", a->speed_rpm.median, b->speed_rpm.median, "rpm",
	            "Errors, work and air are taken at the speed half-way between.");
	note_unlike(&c->notes, "supply pressure", unit_bar_gauge(a->supply_pa.median, a->engine.ambient_pa),
	            unit_bar_gauge(b->supply_pa.median, b->engine.ambient_pa), "bar gauge",
	            "Work and air follow the supply; look at the diagram factor.");
	note_engines(&c->notes, &a->engine, &b->engine);
	if (c->n >= 10)
		report_say(&c->notes,
		           "Of %zu comparisons at 95 %%, about %.0f may show a difference by chance alone.",
		           c->n, ceil((double)c->n * 0.05));
}

void compare_reports(const struct report *before, const struct report *after, struct comparison *out)
{
	memset(out, 0, sizeof *out);
	add_events(out, before, after);
	add_strokes(out, before, after, END_CAP);
	add_strokes(out, before, after, END_ROD);
	add_economy(out, before, after);
	add_count(out, before, after);
	write_notes(out, before, after);
}
