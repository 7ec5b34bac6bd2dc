/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The report as one page: verdicts and numbers first, then pictures. */
#include "analyse/html_page.h"
#include "analyse/html_plots.h"
#include "analyse/report.h"
#include "analyse/report_words.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

typedef unsigned long long ull;

static void header(FILE *out, const struct report *r)
{
	char start[WORDS_NUMBER_MAX], speed[WORDS_NUMBER_MAX], supply[WORDS_NUMBER_MAX];
	char turns[WORDS_NUMBER_MAX];
	html_element(out, "h1", NULL, "%s", r->engine.name[0] != '\0' ? r->engine.name : "engine");
	html_element(out, "p", "soft", "Timing report of %s; %s", r->file,
	             words_start(start, r->start_utc_us));
	if (r->has_crank)
		html_element(out, "p", "soft", "%.1f s, %s; speed %s; supply %s.", r->duration_s,
		             words_turns(turns, r), words_range(speed, r->speed_rpm, 0, "rpm"),
		             words_supply(supply, r));
	else
		html_element(out, "p", "soft", "%.1f s; speed not known; supply %s.", r->duration_s,
		             words_supply(supply, r));
	char slips[2 * WORDS_NUMBER_MAX];
	if (words_slips_first(slips, r)[0] != '\0')
		html_element(out, "p", "warn", "%s", slips);
	if (r->selected[0] != '\0')
		html_element(out, "p", "warn", "Only a part of it is counted: %s.", r->selected);
}

static const char *verdict_class(const char *verdict)
{
	if (strcmp(verdict, "on time") == 0)
		return "good";
	return strcmp(verdict, "not known") == 0 ? "unknown" : "bad";
}

static void verdict(FILE *out, const struct report *r, const struct valve_event_summary *e)
{
	char error[WORDS_MAX], remedy[WORDS_MAX];
	words_error(error, r, e);
	words_remedy(remedy, r, e);
	fprintf(out, "<li class=\"%s\">", verdict_class(e->verdict));
	html_element(out, "strong", NULL, "%s", words_movement(e->end, e->event));
	html_element(out, "span", "verdict", "%s", error);
	if (remedy[0] != '\0')
		html_element(out, "div", NULL, "%s", remedy);
	if (r->held_back == NULL && e->words[0] != '\0' && !words_said(&r->advice, e->words))
		html_element(out, "div", "soft", "%s", e->words);
	fputs("</li>\n", out);
}

static void verdicts(FILE *out, const struct report *r)
{
	html_element(out, "h2", NULL, "Valves: when each moves, and what to change");
	if (r->event_n == 0)
		html_element(out, "p", "soft",
		             "not known: no valve commands with a crank angle in this ride");
	fputs("<ul class=\"verdicts\">\n", out);
	for (size_t i = 0; i < r->event_n; i++)
		verdict(out, r, &r->event[i]);
	fputs("</ul>\n", out);
	if (words_any_off(r))
		html_element(out, "p", "soft", "%s", words_at_mean_speed(r));
}

static void stroke_card(FILE *out, const struct report *r, enum engine_end end)
{
	const struct stroke_summary *s = &r->stroke[end];
	char useful[WORDS_MAX], left[WORDS_MAX], a[WORDS_NUMBER_MAX], b[WORDS_NUMBER_MAX],
	    c[WORDS_NUMBER_MAX];
	if (!words_has_end(r, end))
		return;
	fputs("<div class=\"card\">\n", out);
	html_element(out, "h3", NULL, "%s end", engine_end_name(end));
	if (!r->has_strokes[end]) {
		html_element(out, "p", "soft", "%s", words_no_strokes(r, end));
		fputs("</div>\n", out);
		return;
	}
	if (isfinite(s->useful_rad)) {
		words_measured(a, unit_deg(s->useful_rad), 1.96 * unit_deg(s->useful_sd_rad), 1, "deg");
		html_element(out, "div", "big", "%s", a);
		html_element(out, "p", NULL, "of the stroke pushed (%.0f %%)", 100 * s->useful_fraction);
	} else
		html_element(out, "p", "soft", "air pushed over %s", words_useful(useful, s));
	html_element(out, "div", "big", "%s", words_measured(a, s->work_j, 1.96 * s->work_sd_j, 2, "J"));
	html_element(out, "p", NULL, "work a stroke; ideal %s, diagram factor %s",
	             words_number(b, s->ideal_work_j, 2, "J"), words_factor(c, s));
	html_element(out, "p", "soft",
	             "%u strokes, %s. Mean effective pressure %s; at release %s; most force %s.", s->count,
	             words_left_out(left, s),
	             words_measured(a, unit_bar(s->mep_pa), 1.96 * unit_bar(s->mep_sd_pa), 3, "bar"),
	             words_measured(b, unit_bar_gauge(s->release_pa, r->engine.ambient_pa),
	                            1.96 * unit_bar(s->release_sd_pa), 2, "bar gauge"),
	             words_number(c, s->peak_force_n, 0, "N"));
	fputs("</div>\n", out);
}

static void strokes(FILE *out, const struct report *r)
{
	char litres[WORDS_NUMBER_MAX], torque[WORDS_MAX];
	html_element(out, "h2", NULL, "How much of each stroke pushed");
	fputs("<div class=\"cards\">\n", out);
	stroke_card(out, r, END_CAP);
	stroke_card(out, r, END_ROD);
	fputs("</div>\n", out);
	if (words_torque(torque, r)[0] != '\0')
		html_element(out, "p", NULL, "%s", torque);
	if (isfinite(r->air_kg_per_turn))
		html_element(out, "p", NULL, "Air: %s a turn (ISO 8778).",
		             words_measured(litres, air_normal_litre(r->air_kg_per_turn),
		                            air_normal_litre(r->air_error_kg), 2, "normal litres"));
}

/* What stands behind the numbers; below the pictures, for the first screens are for the verdicts. */
static void behind(FILE *out, const struct report *r)
{
	char ways[WORDS_MAX], closure[WORDS_MAX];
	if (!r->has_strokes[END_CAP] && !r->has_strokes[END_ROD])
		return;
	html_element(out, "h2", NULL, "How well work and air are known");
	html_element(out, "p", NULL, "%s", words_closure(closure, r));
	html_element(out, "p", NULL, "%s", words_work_error());
	if (isfinite(r->air_kg_per_turn))
		html_element(out, "p", NULL, "Air: %s", words_air(r));
	if (words_air_ways(ways, r)[0] != '\0')
		html_element(out, "p", NULL, "%s.", ways);
}

static void event_row(FILE *out, const struct valve_event_summary *e)
{
	char c[7][WORDS_CELL_MAX], delay[WORDS_NUMBER_MAX];
	html_row(out, "%s %s|%s|%s|%s|%s|%s|%s|%s|%s|%u|%u", engine_end_name((enum engine_end)e->end),
	         words_event(e->event), words_cell(c[0], words_place_deg(e->intended_rad), 1),
	         words_cell(c[1], words_place_deg(e->commanded_rad), 1),
	         words_cell(c[2], words_place_deg(e->actual_rad), 1),
	         words_cell(c[3], unit_deg(e->error_rad), 1),
	         words_cell(c[4], unit_deg(e->count_error_rad), 1),
	         words_cell(c[5], unit_deg(e->firing_error_rad), 1),
	         words_measured(delay, e->delay_s * 1e3, words_half_width(e->delay_ci95_s) * 1e3, 1, "ms"),
	         words_cell(c[6], unit_deg(e->spread_rad), 1), e->count, e->not_found);
}

static void events(FILE *out, const struct report *r)
{
	if (r->event_n == 0)
		return;
	html_element(out, "h2", NULL, "Valve events, taken apart");
	html_element(
	    out, "p", "soft",
	    "Angles in deg, + is late; error = count + firing + delay. Count: the controller's angle was "
	    "wrong; firing: it fired beside its own angle; delay: relay, coil and valve, to half open.");
	html_table_open(out, "event|asked|at command|actual|error|count|firing|delay|spread|found|not found");
	for (size_t i = 0; i < r->event_n; i++)
		event_row(out, &r->event[i]);
	html_table_close(out);
}

static void slips(FILE *out, const struct report *r)
{
	if (r->slip_n == 0)
		return;
	fputs("<details><summary>Each slip</summary>\n", out);
	html_table_open(out, "time (s)|crank angle (deg)|edges|likely cause");
	for (size_t i = 0; i < r->slip_n; i++)
		html_row(out, "%.3f|%.1f|%+d|%s", (double)(r->slip[i].t_us - r->counts.first_t_us) * 1e-6,
		         words_place_deg(r->slip[i].theta_rad), r->slip[i].edges,
		         slip_cause_name(r->slip[i].cause));
	html_table_close(out);
	fputs("</details>\n", out);
}

static void crank(FILE *out, const struct report *r)
{
	const struct crank_totals *c = &r->crank;
	char sd[WORDS_NUMBER_MAX];
	html_element(out, "h2", NULL, "Crank and count");
	if (!r->has_crank) {
		html_element(out, "p", "soft", "not known: no usable teeth in this ride");
		return;
	}
	words_number(sd, c->sd_n > 0 ? unit_deg(sqrt(c->sum_sd2 / (double)c->sd_n)) : NAN, 3, "deg");
	html_element(out, "p", r->controller_slips > 0 ? "warn" : NULL,
	             "The controller's count left the true one %llu time%s.", (ull)r->controller_slips,
	             r->controller_slips == 1 ? "" : "s");
	slips(out, r);
	html_element(out, "p", NULL,
	             "Teeth: %llu edges seen, %llu missed, %llu extra. Index: %llu seen, %llu missed, %llu "
	             "extra, %llu "
	             "bounces. Angle known to %s (standard deviation); %.2f s left out as uncertain.",
	             (ull)c->teeth_seen, (ull)c->teeth_missed, (ull)c->teeth_extra, (ull)c->index_seen,
	             (ull)c->index_missed, (ull)c->index_extra, (ull)c->index_bounces, sd, c->flagged_s);
}

static void marks(FILE *out, const struct report *r)
{
	unsigned kept = r->marks < REPORT_MARKS_MAX ? r->marks : REPORT_MARKS_MAX;
	if (r->marks == 0)
		return;
	html_element(out, "h2", NULL, "The rider's marks");
	fputs("<ul>\n", out);
	for (unsigned i = 0; i < kept; i++)
		html_element(out, "li", NULL, "at %.3f s%s%s", r->mark[i].t_s,
		             r->mark[i].text[0] != '\0' ? ": " : "", r->mark[i].text);
	fputs("</ul>\n", out);
	if (r->marks > kept)
		html_element(out, "p", "soft", "And %u more.", r->marks - kept);
}

static void log_and_clock(FILE *out, const struct report *r)
{
	const struct ride_counts *c = &r->counts;
	html_element(out, "h2", NULL, "Log and clock");
	html_element(out, "p", NULL,
	             "%llu records; %llu lost, %llu bytes damaged on the link, %llu gaps; %llu bytes damaged "
	             "in the log.",
	             (ull)c->records, (ull)c->lost, (ull)c->damaged_bytes, (ull)c->gaps,
	             (ull)c->log_damaged_bytes);
	if (r->clock.known)
		html_element(
		    out, "p", NULL,
		    "The controller's clock against the host's: %+.1f +/- %.1f ppm (speed, power and "
		    "milliseconds scale with it; angles and work do not).",
		    r->clock.skew_ppm, words_half_width(r->clock.skew_ppm_ci95));
	else
		html_element(out, "p", "soft", "The controller's clock against the host's: not known%s%s.",
		             r->clock.remark[0] != '\0' ? ": " : "", r->clock.remark);
}

int report_html(const struct report *r, FILE *out)
{
	char title[400];
	snprintf(title, sizeof title, "%s: timing report of %s", r->engine.name, r->file);
	html_open(out, title);
	header(out, r);
	html_lines(out, "Limits", "warn", &r->limits);
	verdicts(out, r);
	strokes(out, r);
	html_lines(out, "Advice", "advice", &r->advice);
	html_lines(out, "Warnings", "warnings", &r->warnings);
	html_element(out, "h2", NULL, "Pictures");
	html_plots(out, r);
	events(out, r);
	behind(out, r);
	crank(out, r);
	marks(out, r);
	log_and_clock(out, r);
	html_caution(out);
	html_close(out);
	return ferror(out) ? -1 : 0;
}
