/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The report for a terminal: what to know first stands on the first screen. */
#include "analyse/report.h"
#include "analyse/report_words.h"
#include "analyse/valve_events_causes.h"
#include "analyse/text_page.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define SLIPS_SHOWN 12
#define MARKS_SHOWN 12

static void title(const struct text_page *p, const struct report *r)
{
	char start[WORDS_NUMBER_MAX], speed[WORDS_NUMBER_MAX], supply[WORDS_NUMBER_MAX];
	char turns[WORDS_NUMBER_MAX];
	text_para(p, 0, 2, TONE_HEADING, "%s: %s", r->engine.name[0] != '\0' ? r->engine.name : "engine",
	          r->file);
	if (r->has_crank)
		text_para(p, 0, 2, TONE_PLAIN, "%s; %.1f s, %s; speed %s; supply %s.",
		          words_start(start, r->start_utc_us), r->duration_s, words_turns(turns, r),
		          words_range(speed, r->speed_rpm, 0, "rpm"), words_supply(supply, r));
	else
		text_para(p, 0, 2, TONE_PLAIN, "%s; %.1f s; speed not known; supply %s.",
		          words_start(start, r->start_utc_us), r->duration_s, words_supply(supply, r));
	char slips[2 * WORDS_NUMBER_MAX];
	if (words_slips_first(slips, r)[0] != '\0')
		text_para(p, 0, 2, TONE_BAD, "%s", slips);
	if (r->selected[0] != '\0')
		text_para(p, 0, 2, TONE_HEADING, "Only a part of it is counted: %s.", r->selected);
}

static enum text_tone verdict_tone(const char *verdict)
{
	if (strcmp(verdict, "on time") == 0)
		return TONE_GOOD;
	return strcmp(verdict, "not known") == 0 ? TONE_FAINT : TONE_BAD;
}

static void verdict_line(const struct text_page *p, const struct report *r,
                         const struct valve_event_summary *e)
{
	char error[WORDS_MAX], remedy[WORDS_MAX];
	words_error(error, r, e);
	words_remedy(remedy, r, e);
	bool more = remedy[0] != '\0';
	text_line(p, verdict_tone(e->verdict), "  %-17s %-*s%s%s", words_movement(e->end, e->event),
	          more ? 22 : 0, error, more ? " " : "", remedy);
}

static void verdicts(const struct text_page *p, const struct report *r)
{
	text_heading(p, "Valves: when each moves, and what to change (deg of crank, 95 % interval)");
	if (r->event_n == 0)
		text_para(p, 2, 2, TONE_FAINT,
		          "not known: no valve commands with a crank angle in this ride");
	for (size_t i = 0; i < r->event_n; i++)
		verdict_line(p, r, &r->event[i]);
	if (words_any_off(r))
		text_para(p, 2, 2, TONE_FAINT, "%s", words_at_mean_speed(r));
}

static void lines(const struct text_page *p, const char *heading, const struct report_lines *l,
                  enum text_tone tone)
{
	if (l->n == 0)
		return;
	text_heading(p, heading);
	for (size_t i = 0; i < l->n; i++)
		text_para(p, 2, 4, tone, "- %s", l->line[i]);
}

static void push(const struct text_page *p, const struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	char useful[WORDS_MAX], work[WORDS_NUMBER_MAX], mep[WORDS_NUMBER_MAX], factor[WORDS_NUMBER_MAX];
	if (!words_has_end(r, end))
		return;
	if (!r->has_strokes[end]) {
		text_para(p, 2, 7, TONE_FAINT, "%-4s %s", engine_end_name(end), words_no_strokes(r, end));
		return;
	}
	words_useful(useful, s);
	words_measured(work, s->work_j, 1.96 * s->work_sd_j, words_decimals(s->work_j), "J");
	words_measured(mep, unit_bar(s->mep_pa), 1.96 * unit_bar(s->mep_sd_pa), 3, "bar");
	text_line(p, TONE_PLAIN, "  %-4s air pushed over %s", engine_end_name(end), useful);
	if (isfinite(s->ideal_work_j))
		text_para(p, 7, 9, TONE_PLAIN, "work %s of %.*f J ideal (diagram factor %s), mep %s", work,
		          words_decimals(s->ideal_work_j), s->ideal_work_j, words_factor(factor, s), mep);
	else
		text_para(p, 7, 9, TONE_PLAIN, "work %s, mep %s; ideal not known", work, mep);
}

static void pushes(const struct text_page *p, const struct report *r)
{
	text_heading(p, "How much of each stroke pushed");
	push(p, r, END_CAP);
	push(p, r, END_ROD);
}

static bool ideal_known(const struct report *r, enum engine_end end)
{
	return r->has_strokes[end] && isfinite(r->stroke[end].ideal_work_j);
}

/* Joules with their 95 % interval and their share of the ideal. */
static const char *ledger_cell(char out[32], const struct report *r, int end, double joule, double sd_j)
{
	char j[WORDS_CELL_MAX], error[WORDS_CELL_MAX], share[WORDS_CELL_MAX];
	double ideal = r->stroke[end].ideal_work_j;
	if (!words_has_end(r, (enum engine_end)end))
		out[0] = '\0'; /* single-acting: no column */
	else if (!ideal_known(r, (enum engine_end)end))
		snprintf(out, 32, "%26s", "not known");
	else
		snprintf(out, 32, "%9.9s +/-%5.5s J %3.4s %%", words_cell(j, joule, words_decimals(ideal)),
		         words_cell(error, 1.96 * sd_j, words_decimals(ideal)),
		         words_cell(share, 100 * joule / ideal, 0));
	return out;
}

struct joules {
	double value, sd;
};

static void ledger_row(const struct text_page *p, const struct report *r, const char *name, struct joules cap,
                       struct joules rod)
{
	char a[32], b[32];
	text_line(p, TONE_PLAIN, "  %-22s%s%s", name, ledger_cell(a, r, END_CAP, cap.value, cap.sd),
	          ledger_cell(b, r, END_ROD, rod.value, rod.sd));
}

static struct joules line_j(const struct report *r, enum engine_end end, int line)
{
	return (struct joules){r->stroke[end].ledger_j[line], r->stroke[end].ledger_sd_j[line]};
}

static struct joules lost_j(const struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	return (struct joules){s->ideal_work_j * (1 - s->diagram_factor), hypot(s->ideal_sd_j, s->work_sd_j)};
}

static void ledger(const struct text_page *p, const struct report *r)
{
	if (!ideal_known(r, END_CAP) && !ideal_known(r, END_ROD))
		return;
	text_heading(p, "Where the work went (mean of a stroke; % of the ideal; negative = gained)");
	text_line(p, TONE_PLAIN, "  %-22s%26s%26s", "", "cap end",
	          words_has_end(r, END_ROD) ? "rod end" : "");
	for (int l = 0; l < LEDGER_LINES; l++)
		ledger_row(p, r, ledger_line_name((enum ledger_line)l), line_j(r, END_CAP, l),
		           line_j(r, END_ROD, l));
	ledger_row(p, r, "ideal less measured", lost_j(r, END_CAP), lost_j(r, END_ROD));
}

static void gain_row(const struct text_page *p, const struct gains *g, int place)
{
	char c[8][WORDS_CELL_MAX];
	enum gain_cause cause = g->by_work[place];
	const struct gain *x = &g->gain[cause];
	int economy = 0;
	while (g->by_air[economy] != cause)
		economy++;
	text_line(p, TONE_PLAIN, "  %-22s%5s +/-%4s J%4s %%%7s +/-%5s g%6s +/-%4s %2s", gain_name(cause),
	          words_cell(c[0], x->work_j, 1), words_cell(c[1], x->work_error_j, 1),
	          words_cell(c[2], 100 * x->work_j / g->simulated_j, 0), words_cell(c[3], x->air_kg * 1e3, 3),
	          words_cell(c[4], x->air_error_kg * 1e3, 3), words_cell(c[5], x->j_per_kg * 1e-3, 1),
	          words_cell(c[6], x->j_per_kg_error * 1e-3, 1),
	          isfinite(x->j_per_kg) ? words_cell(c[7], economy + 1, 0) : "-");
}

static void gains_of_end(const struct text_page *p, const struct report *r, enum engine_end end)
{
	const struct gains *g = &r->gains[end];
	char c[5][WORDS_CELL_MAX], words[WORDS_MAX];
	if (!r->has_strokes[end])
		return;
	if (!g->known) {
		text_para(p, 2, 4, TONE_FAINT, "%s end: %s", engine_end_name(end), words_gains(words, g));
		return;
	}
	text_line(p, TONE_FAINT, "  %s %-18s%15s%18s%18s rank", engine_end_name(end), "end:", "work", "air",
	          "work per air, J/g");
	for (int i = 0; i < GAIN_CAUSES; i++)
		gain_row(p, g, i);
	text_line(p, TONE_PLAIN, "  %-22s%5s +/-%4s J%4s %%%7s +/-%5s g", "all of them",
	          words_cell(c[0], g->all_j, 1), words_cell(c[1], g->all_error_j, 1),
	          words_cell(c[2], 100 * g->all_j / g->simulated_j, 0), words_cell(c[3], g->all_kg * 1e3, 3),
	          words_cell(c[4], g->all_error_kg * 1e3, 3));
	text_para(p, 2, 4, TONE_FAINT, "%s", words_gains(words, g));
}

static void gains(const struct text_page *p, const struct report *r)
{
	if (!r->has_strokes[END_CAP] && !r->has_strokes[END_ROD])
		return;
	text_heading(p, "What fixing one thing alone would gain (simulated, a stroke)");
	gains_of_end(p, r, END_CAP);
	gains_of_end(p, r, END_ROD);
	if (r->gains[END_CAP].known || r->gains[END_ROD].known)
		text_para(p, 2, 4, TONE_FAINT, "rank: by the work per air, 1 = best.");
}

static void stroke_detail(const struct text_page *p, const struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	char release[WORDS_NUMBER_MAX], force[WORDS_NUMBER_MAX], air[WORDS_NUMBER_MAX], left[WORDS_MAX];
	if (!r->has_strokes[end])
		return;
	text_para(p, 2, 4, TONE_PLAIN,
	          "%s end: %u strokes, %s; pressure at release %s; most force on the piston %s; air %s a "
	          "stroke.",
	          engine_end_name(end), s->count, words_left_out(left, s),
	          words_measured(release, unit_bar_gauge(s->release_pa, r->engine.ambient_pa),
	                         1.96 * unit_bar(s->release_sd_pa), 2, "bar gauge"),
	          words_number(force, s->peak_force_n, 0, "N"),
	          words_measured(air, air_normal_litre(s->air_kg), air_normal_litre(s->air_error_kg), 3,
	                         "normal litres"));
}

static void air(const struct text_page *p, const struct report *r)
{
	char litres[WORDS_NUMBER_MAX], ways[WORDS_MAX], closure[WORDS_MAX], torque[WORDS_MAX];
	text_heading(p, "Strokes and air");
	stroke_detail(p, r, END_CAP);
	stroke_detail(p, r, END_ROD);
	if (words_torque(torque, r)[0] != '\0')
		text_para(p, 2, 4, TONE_PLAIN, "%s", torque);
	if (r->has_strokes[END_CAP] || r->has_strokes[END_ROD])
		text_para(p, 2, 4, TONE_PLAIN, "%s %s", words_closure(closure, r), words_work_error());
	if (!isfinite(r->air_kg_per_turn)) {
		text_para(p, 2, 4, TONE_FAINT, "Air of a turn: not known.");
		return;
	}
	text_para(p, 2, 4, TONE_PLAIN, "Air: %s a turn (ISO 8778). %s",
	          words_measured(litres, air_normal_litre(r->air_kg_per_turn),
	                         air_normal_litre(r->air_error_kg), 2, "normal litres"),
	          words_air(r));
	if (words_air_ways(ways, r)[0] != '\0')
		text_para(p, 2, 4, TONE_PLAIN, "%s.", ways);
}

static void event_row(const struct text_page *p, const struct valve_event_summary *e)
{
	char c[9][WORDS_CELL_MAX];
	text_line(
	    p, TONE_PLAIN, "  %-4s%-12s%7s%7s%7s%7s%7s%7s%7s%7s%6u", engine_end_name((enum engine_end)e->end),
	    words_event(e->event), words_cell(c[0], words_place_deg(e->intended_rad), 1),
	    words_cell(c[1], words_place_deg(e->commanded_rad), 1),
	    words_cell(c[2], words_place_deg(e->actual_rad), 1), words_cell(c[3], unit_deg(e->error_rad), 1),
	    words_cell(c[4], unit_deg(e->count_error_rad), 1),
	    words_cell(c[5], unit_deg(e->firing_error_rad), 1), words_cell(c[6], e->delay_s * 1e3, 1),
	    words_cell(c[7], words_half_width(e->delay_ci95_s) * 1e3, 1), e->count);
}

static void events(const struct text_page *p, const struct report *r)
{
	if (r->event_n == 0)
		return;
	text_heading(p, "Valve events (angles in deg; error = count + firing + delay; + is late)");
	text_line(p, TONE_FAINT, "  %-4s%-12s%7s%7s%7s%7s%7s%7s%7s%7s%6s", "end", "event", "asked", "comm.",
	          "actual", "error", "count", "firing", "ms", "+/-", "n");
	for (size_t i = 0; i < r->event_n; i++)
		event_row(p, &r->event[i]);
	text_para(p, 2, 2, TONE_FAINT,
	          "asked: the angle wanted; comm.: true angle at the command; ms: delay of valve and relay "
	          "from command to half open, with its 95 %% interval; n: events found.");
	for (size_t i = 0; i < r->event_n; i++)
		if (r->event[i].words[0] != '\0' && !words_said(&r->advice, r->event[i].words))
			text_para(p, 2, 4, TONE_PLAIN, "- %s", r->event[i].words);
	char unknown[200];
	if (valve_causes_unknown(r->event, r->event_n, unknown, sizeof unknown)[0] != '\0')
		text_para(p, 2, 4, TONE_FAINT, "- %s", unknown);
}

static void slips(const struct text_page *p, const struct report *r)
{
	size_t shown = r->slip_n < SLIPS_SHOWN ? r->slip_n : SLIPS_SHOWN;
	for (size_t i = 0; i < shown; i++) {
		const struct slip *s = &r->slip[i];
		double t_s = (double)(s->t_us - r->counts.first_t_us) * 1e-6;
		text_line(p, TONE_PLAIN, "    at %9.3f s, %5.1f deg: %+d edge%s, %s", t_s,
		          words_place_deg(s->theta_rad), s->edges, s->edges == 1 || s->edges == -1 ? "" : "s",
		          slip_cause_name(s->cause));
	}
	if (r->controller_slips > shown)
		text_line(p, TONE_PLAIN, "    and %llu more",
		          (unsigned long long)(r->controller_slips - shown));
}

static void crank(const struct text_page *p, const struct report *r)
{
	const struct crank_totals *c = &r->crank;
	char sd[WORDS_NUMBER_MAX];
	text_heading(p, "Crank and count");
	if (!r->has_crank) {
		text_para(p, 2, 2, TONE_FAINT, "not known: no usable teeth in this ride");
		return;
	}
	words_number(sd, c->sd_n > 0 ? unit_deg(sqrt(c->sum_sd2 / (double)c->sd_n)) : NAN, 3, "deg");
	text_para(
	    p, 2, 4, TONE_PLAIN,
	    "Teeth: %llu edges seen, %llu missed, %llu extra. Index: %llu seen, %llu missed, %llu extra, "
	    "%llu bounces.",
	    (unsigned long long)c->teeth_seen, (unsigned long long)c->teeth_missed,
	    (unsigned long long)c->teeth_extra, (unsigned long long)c->index_seen,
	    (unsigned long long)c->index_missed, (unsigned long long)c->index_extra,
	    (unsigned long long)c->index_bounces);
	text_para(p, 2, 4, TONE_PLAIN,
	          "Crank angle known to %s (standard deviation); %.2f s of the ride left out as uncertain.",
	          sd, c->flagged_s);
	text_para(p, 2, 4, r->controller_slips > 0 ? TONE_BAD : TONE_PLAIN,
	          "The controller's count left the true one %llu time%s%s",
	          (unsigned long long)r->controller_slips, r->controller_slips == 1 ? "" : "s",
	          r->controller_slips > 0 ? ":" : ".");
	slips(p, r);
}

static void marks(const struct text_page *p, const struct report *r)
{
	unsigned shown = r->marks < MARKS_SHOWN ? r->marks : MARKS_SHOWN;
	if (r->marks == 0)
		return;
	text_heading(p, "The rider's marks (--from and --to choose a part of the ride)");
	for (unsigned i = 0; i < shown; i++)
		text_line(p, TONE_PLAIN, "  at %9.3f s%s%s", r->mark[i].t_s,
		          r->mark[i].text[0] != '\0' ? "  " : "", r->mark[i].text);
	if (r->marks > shown)
		text_line(p, TONE_PLAIN, "  and %u more", r->marks - shown);
}

static void log_and_clock(const struct text_page *p, const struct report *r)
{
	const struct ride_counts *c = &r->counts;
	text_heading(p, "Log and clock");
	text_para(
	    p, 2, 4, TONE_PLAIN,
	    "%llu records; %llu lost, %llu bytes damaged on the link, %llu gaps; %llu bytes damaged in the "
	    "log.",
	    (unsigned long long)c->records, (unsigned long long)c->lost, (unsigned long long)c->damaged_bytes,
	    (unsigned long long)c->gaps, (unsigned long long)c->log_damaged_bytes);
	if (r->clock.known)
		text_para(p, 2, 4, TONE_PLAIN,
		          "The controller's clock against the host's: %+.1f +/- %.1f ppm (speed, power and "
		          "milliseconds scale with it; angles and work do not).",
		          r->clock.skew_ppm, words_half_width(r->clock.skew_ppm_ci95));
	else
		text_para(p, 2, 4, TONE_FAINT, "The controller's clock against the host's: not known%s%s.",
		          r->clock.remark[0] != '\0' ? ": " : "", r->clock.remark);
}

static void caution(const struct text_page *p)
{
	text_heading(p, "Caution");
	for (size_t i = 0; words_caution(i) != NULL; i++)
		text_para(p, 2, 2, TONE_PLAIN, "%s", words_caution(i));
}

int report_text(const struct report *r, FILE *out, bool colour)
{
	const struct text_page p = {.out = out, .colour = colour};
	title(&p, r);
	lines(&p, "Limits", &r->limits, TONE_BAD);
	verdicts(&p, r);
	pushes(&p, r);
	ledger(&p, r);
	gains(&p, r);
	lines(&p, "Advice", &r->advice, TONE_PLAIN);
	lines(&p, "Warnings", &r->warnings, TONE_PLAIN);
	events(&p, r);
	air(&p, r);
	crank(&p, r);
	marks(&p, r);
	log_and_clock(&p, r);
	caution(&p);
	return ferror(out) ? -1 : 0;
}
