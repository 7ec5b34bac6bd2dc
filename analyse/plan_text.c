/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The plan for the terminal: what to load first, then what it gains, then the tables. */
#include "analyse/escape.h"
#include "analyse/plan_parts.h"
#include "analyse/report_words.h"
#include "analyse/text_page.h"
#include "common/air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

#define LEAD_SPEEDS 6

static void print_lines(FILE *out, unsigned first, unsigned rest, const char *mark,
                        const struct report_lines *l)
{
	const struct text_page page = {.out = out};
	for (size_t i = 0; i < l->n; i++)
		text_para(&page, first, rest, TONE_PLAIN, "%s%s", mark, l->line[i]);
}

const char *plan_goal_words(const struct plan *p, char text[PLAN_GOAL_WORDS])
{
	static const char *const words[] = {"full expansion", "most work per air", "most torque", ""};
	if (p->request.aim.goal == PLAN_CHOSEN_TORQUE)
		snprintf(text, PLAN_GOAL_WORDS, "%.1f N m for the least air", p->request.aim.net_torque_nm);
	else
		snprintf(text, PLAN_GOAL_WORDS, "%s", words[p->request.aim.goal]);
	return text;
}

static void print_head(FILE *out, const struct plan *p)
{
	char name[200], goal[PLAN_GOAL_WORDS];
	const struct plan_machine *m = p->machine;
	fprintf(out, "Plan for %s: %s\n", escape_plain(name, sizeof name, m->engine.name),
	        plan_goal_words(p, goal));
	fprintf(out, "at %.0f rpm and %.2f bar gauge at the inlets%s\n", unit_rpm(p->at.omega_rad_s),
	        plan_gauge_bar(p, p->at.supply_pa), m->from_ride ? "" : "; by hand, nothing measured");
	if (p->refused.n > 0) {
		fputc('\n', out);
		print_lines(out, 0, 9, "REFUSED  ", &p->refused);
	}
}

/* --- what to load ------------------------------------------------------------ */

static const char *passages(const struct plan *p, int valve, char text[80])
{
	static const enum engine_passage all[] = {PASSAGE_CAP_INLET, PASSAGE_CAP_EXHAUST, PASSAGE_ROD_INLET,
	                                          PASSAGE_ROD_EXHAUST};
	text[0] = '\0';
	for (size_t i = 0; i < sizeof all / sizeof *all; i++)
		if ((p->machine->engine.valve[valve].passages & all[i]) != 0)
			snprintf(text + strlen(text), 80 - strlen(text), "%s%s%s",
			         text[0] != '\0' ? ", " : "", engine_passage_name(all[i]),
			         (p->machine->engine.valve[valve].rest_passages & all[i]) != 0 ? " at rest"
			                                                                       : "");
	return text;
}

static void print_setting(FILE *out, const struct plan *p, int valve, int on)
{
	const struct plan_setting *s = &p->setting[valve][on];
	char was[40] = "not known";
	if (!p->has_setting[valve][on])
		return;
	if (isfinite(s->was_setting_rad))
		snprintf(was, sizeof was, "%.1f deg, %.1f ms", unit_deg(s->was_setting_rad),
		         s->was_lead_s * 1e3);
	fprintf(out, "    %-5s at %6.1f deg, lead %5.1f ms   switches at %6.1f deg   (was %s)\n",
	        on ? "opens" : "shuts", unit_deg(s->setting_rad), s->lead_s * 1e3,
	        unit_deg(s->controller_rad), was);
}

static void print_settings(FILE *out, const struct plan *p)
{
	fprintf(out,
	        "\nLoad into the controller (its own angle; \"switches\" is setting less lead at %.0f rpm)\n",
	        unit_rpm(p->at.omega_rad_s));
	for (int v = 0; v < ENGINE_VALVES_MAX; v++) {
		char text[80];
		if (!p->has_setting[v][0] && !p->has_setting[v][1])
			continue;
		fprintf(out, "  valve %d, %s%s\n", v, passages(p, v, text),
		        p->machine->engine.valve[v].rest_open ? " (open at rest: \"opens\" is coil on)" : "");
		print_setting(out, p, v, 1);
		print_setting(out, p, v, 0);
	}
}

static void print_events(FILE *out, const struct plan *p)
{
	fputs("\nThen the valves move at (half open or shut, degrees past the end's own dead centre)\n"
	      "  end    admission   cut-off   release   compression\n",
	      out);
	for (int end = 0; end < END_COUNT; end++) {
		const double *phi = p->best.prediction.phi_rad[end];
		if (!p->machine->used[end])
			continue;
		fprintf(out, "  %-5s %9.1f %9.1f %9.1f %11.1f\n", engine_end_name((enum engine_end)end),
		        unit_deg(phi[EVENT_ADMISSION]), unit_deg(phi[EVENT_CUT_OFF]),
		        unit_deg(phi[EVENT_RELEASE]), unit_deg(phi[EVENT_COMPRESSION]));
		if (!p->has_now)
			continue;
		phi = p->now.prediction.phi_rad[end];
		fprintf(out, "  (now) %9.1f %9.1f %9.1f %11.1f\n", unit_deg(phi[EVENT_ADMISSION]),
		        unit_deg(phi[EVENT_CUT_OFF]), unit_deg(phi[EVENT_RELEASE]),
		        unit_deg(phi[EVENT_COMPRESSION]));
	}
}

/* --- gain -------------------------------------------------------------------- */

struct shown { /* how a quantity is printed */
	const char *name, *unit;
	double scale;
	int decimals;
};

static const struct shown shown[PLAN_QUANTITIES] = {
    [PLAN_WORK] = {"work", "J", 1, 1},
    [PLAN_AIR] = {"air", "normal litres", 0, 3}, /* scaled by the density, see shown_value */
    [PLAN_USEFUL] = {"useful angle", "% of the stroke", 100, 1},
    [PLAN_WORK_PER_AIR] = {"work for the air", "J a normal litre", 0, 1},
};

static double shown_value(enum plan_quantity q, double x)
{
	double litres_per_kg = air_normal_litre(1);
	if (q == PLAN_AIR)
		return x * litres_per_kg;
	if (q == PLAN_WORK_PER_AIR)
		return x / litres_per_kg;
	return x * shown[q].scale;
}

static void print_value(FILE *out, const struct plan_doubt *d, enum plan_quantity q)
{
	const struct plan_value *v = &d->value[q];
	const struct shown *s = &shown[q];
	fprintf(out, "  %-17s", s->name);
	if (!d->has_now) {
		fprintf(out, "%9.*f (%.*f to %.*f) %s\n", s->decimals, shown_value(q, v->planned),
		        s->decimals, shown_value(q, v->planned_low), s->decimals,
		        shown_value(q, v->planned_high), s->unit);
		return;
	}
	fprintf(out, "%9.*f -> %.*f %s: %+.*f (%+.*f to %+.*f)\n", s->decimals, shown_value(q, v->now),
	        s->decimals, shown_value(q, v->planned), s->unit, s->decimals, shown_value(q, v->gain),
	        s->decimals, shown_value(q, v->gain_low), s->decimals, shown_value(q, v->gain_high));
}

static void print_doubt(FILE *out, const char *title, const struct plan_doubt *d)
{
	fprintf(out, "\n%s, a turn (95 %% interval)\n", title);
	for (int q = 0; q < PLAN_QUANTITIES; q++)
		print_value(out, d, (enum plan_quantity)q);
	if (d->greatest[0] != '\0')
		fprintf(out, "  the largest doubt is the %s\n", d->greatest);
}

static void print_gain(FILE *out, const struct plan *p)
{
	const struct plan_prediction *b = &p->best.prediction;
	double least, most;
	plan_torque_range(p->machine, b, &least, &most);
	print_doubt(out, p->has_now ? "What it should change" : "What it should give", &p->doubt);
	fprintf(out,
	        "  mean torque %.1f N m (%.1f before friction), power %.0f W\n"
	        "  over the turn the torque goes from %.1f to %.1f N m (before friction)\n"
	        "  greatest rod force %.0f N, up to %.0f rpm %.0f N",
	        b->net_torque_nm, b->torque_nm, b->power_w, least, most, b->rod_force_n,
	        unit_rpm(p->at.top_rad_s), p->best.top_force_n);
	if (isfinite(p->machine->engine.limit_rod_force_n))
		fprintf(out, ", limit %.0f N", p->machine->engine.limit_rod_force_n);
	fputc('\n', out);
}

/* What to load so that one event falls where the question puts it. */
static void print_asked(FILE *out, const struct plan *p, const struct plan_what_if *w)
{
	const struct plan_edge *e = &p->machine->edge[w->end][w->event];
	double lead = plan_edge_lead_s(e, &p->at);
	double setting = fmod(unit_deg(w->angle_rad - e->offset_rad) + 720, 360);
	fprintf(out, "  %s %s at %.1f deg: valve %d %s at %.1f deg, lead %.1f ms\n", engine_end_name(w->end),
	        words_event(w->event), unit_deg(w->angle_rad), e->valve, e->on ? "opens" : "shuts", setting,
	        lead * 1e3);
}

static void print_what_if(FILE *out, const struct plan *p)
{
	const struct plan_prediction *b = &p->what_if.prediction;
	double least, most;
	plan_torque_range(p->machine, b, &least, &most);
	fprintf(out, "\nWhat if, %s\n", p->has_now ? "all else as it is now" : "all else as planned");
	for (size_t i = 0; i < p->request.what_if_n; i++)
		print_asked(out, p, &p->request.what_if[i]);
	print_doubt(out, "What that would change", &p->what_if_doubt);
	fprintf(out,
	        "  mean torque %.1f N m (%.1f before friction), power %.0f W\n"
	        "  over the turn the torque goes from %.1f to %.1f N m (before friction)\n"
	        "  greatest rod force %.0f N, up to %.0f rpm %.0f N\n",
	        b->net_torque_nm, b->torque_nm, b->power_w, least, most, b->rod_force_n,
	        unit_rpm(p->at.top_rad_s), p->what_if.top_force_n);
	struct report_lines passed = {.n = 0};
	plan_breach_words(p, &p->what_if, &passed);
	print_lines(out, 2, 4, "! ", &passed);
	fputs("\nThe whole plan: the same without --what-if.\n", out);
}

/* --- tables ------------------------------------------------------------------ */

static void print_row_end(FILE *out, const struct plan_row *r, enum engine_end end)
{
	if (isnan(r->cut_off_part[end])) {
		fprintf(out, "  %22s", "-");
		return;
	}
	if (r->ideal_part[end] > 0)
		fprintf(out, "  %5.1f %% %5.1f deg (%2.0f)", 100 * r->cut_off_part[end],
		        unit_deg(r->cut_off_rad[end]), 100 * fmin(r->ideal_part[end], 1));
	else
		fprintf(out, "  %5.1f %% %5.1f deg (-)", 100 * r->cut_off_part[end],
		        unit_deg(r->cut_off_rad[end]));
}

static void print_rows(FILE *out, const struct plan *p)
{
	bool any_outside = false;
	if (p->row_n == 0)
		return;
	fputs("\nCut-off by supply pressure (part of the stroke; past the dead centre; in brackets the\n"
	      "part that the closed form of full expansion gives)\n"
	      "  bar      cap end               rod end               torque   air  useful  up to\n"
	      "  gauge    cut-off    (ideal)    cut-off    (ideal)     N m     nl     %      rpm\n",
	      out);
	for (size_t i = 0; i < p->row_n; i++) {
		const struct plan_row *r = &p->row[i];
		bool outside = plan_supply_outside(p, r->supply_pa);
		any_outside = any_outside || outside;
		fprintf(out, " %c%5.2f", outside ? '~' : ' ', plan_gauge_bar(p, r->supply_pa));
		print_row_end(out, r, END_CAP);
		print_row_end(out, r, END_ROD);
		fprintf(out, " %7.1f %6.2f %6.1f", r->p.net_torque_nm, air_normal_litre(r->p.air_kg),
		        100 * r->p.useful_fraction);
		if (isfinite(r->fastest_rad_s))
			fprintf(out, " %6.0f", unit_rpm(r->fastest_rad_s));
		fprintf(out, "%s\n", r->holds ? "" : "  ! passes a limit");
	}
	if (any_outside)
		fputs("  ~ not ridden: there the delays are less sure\n", out);
}

static double speed_step_rpm(const struct plan *p)
{
	double top = unit_rpm(p->machine->engine.limit_speed_rad_s);
	if (!isfinite(top))
		top = 2 * unit_rpm(p->at.omega_rad_s);
	return fmax(ceil(top / LEAD_SPEEDS / 10) * 10, 1);
}

static double angle_at(const struct plan *p, int valve, int on, double omega)
{
	const struct plan_setting *s = &p->setting[valve][on];
	double deg = fmod(unit_deg(s->setting_rad - plan_lead_at_s(p, valve, on, omega) * omega), 360);
	return deg < 0 ? deg + 360 : deg;
}

static void print_leads(FILE *out, const struct plan *p)
{
	double step = speed_step_rpm(p);
	fputs("\nThe controller's own angle at which to switch, deg, by speed (setting less lead x speed)\n"
	      "  valve      ",
	      out);
	for (int i = 1; i <= LEAD_SPEEDS; i++)
		fprintf(out, " %6.0f rpm", i * step);
	fputc('\n', out);
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 1; on >= 0; on--) {
			if (!p->has_setting[v][on])
				continue;
			fprintf(out, "  %d %-9s", v, on ? "opens" : "shuts");
			for (int i = 1; i <= LEAD_SPEEDS; i++)
				fprintf(out, " %10.1f", angle_at(p, v, on, i * step * UNIT_PI / 30));
			fputc('\n', out);
		}
	if (isfinite(p->fastest_rad_s))
		fprintf(out,
		        "  an inlet can be this short up to %.0f rpm; faster, its coil is not on for long "
		        "enough\n",
		        unit_rpm(p->fastest_rad_s));
}

static void print_curve(FILE *out, const struct plan *p)
{
	fputs("\nTorque against economy (friction taken off; * the knee)\n"
	      "     torque N m   work for the air J/nl   air nl/turn   useful %   cut-off cap, rod deg\n",
	      out);
	for (size_t i = 0; i < p->curve.n; i++) {
		const struct plan_point *q = &p->curve.point[i];
		fprintf(out, "   %c %10.1f %23.1f %13.2f %10.1f ",
		        i == p->curve.knee && p->curve.n > 2 ? '*' : ' ', q->net_torque_nm,
		        q->economy_j_kg / air_normal_litre(1), air_normal_litre(q->air_kg),
		        100 * q->useful_fraction);
		for (int end = 0; end < END_COUNT; end++)
			if (p->machine->used[end])
				fprintf(out, " %9.1f", unit_deg(q->cut_off_rad[end]));
		fputc('\n', out);
	}
}

static void print_start(FILE *out, const struct plan *p)
{
	fputs("\nStarting wants a setting of its own: late cut-off", out);
	for (int end = 0; end < END_COUNT; end++)
		if (p->machine->used[end])
			fprintf(out, ", %s end %.0f deg", engine_end_name((enum engine_end)end),
			        unit_deg(p->start.cut_off_rad[end]));
	fprintf(out,
	        "\n  at rest it gives up to %.1f N m less %.1f of friction; in %.0f of 360 deg no inlet is "
	        "open:\n"
	        "  there it must be pushed, and at a dead centre no pressure turns it\n",
	        p->start.most_nm, plan_friction_nm(p->machine), unit_deg(p->start.dead_rad));
}

static void print_air(FILE *out, const struct plan *p)
{
	fprintf(out,
	        "\nAir: %.2f to %.2f normal litres a turn (ISO 8778; without and with heat from the walls)\n",
	        air_normal_litre(p->air_kg_low), air_normal_litre(p->air_kg_high));
	if (isnan(p->tank_turns_low))
		return;
	fprintf(out, "  the tank of %.0f l from %.1f bar gauge down to %.2f: %.0f to %.0f turns",
	        p->machine->engine.tank_m3 * 1e3, plan_gauge_bar(p, p->request.tank_pa),
	        plan_gauge_bar(p, p->at.supply_pa), p->tank_turns_low, p->tank_turns_high);
	if (isfinite(p->way_per_turn_m))
		fprintf(out, ", %.0f to %.0f m", p->tank_turns_low * p->way_per_turn_m,
		        p->tank_turns_high * p->way_per_turn_m);
	fputs("\n  (the fewer while the tank is cold from emptying fast)\n", out);
}

const char *plan_road_words(const struct plan_gear *g, int road, char text[PLAN_ROAD_WORDS])
{
	const char *goes = g->pulls[road] ? "goes" : "no";
	if (g->starts_best[road])
		snprintf(text, PLAN_ROAD_WORDS, "%s, %.0f deg", goes, 360 * g->starts_part[road]);
	else
		snprintf(text, PLAN_ROAD_WORDS, "%s, no start", goes);
	return text;
}

static void print_road(FILE *out, const struct plan_gear *g)
{
	char cell[PLAN_ROAD_WORDS];
	fprintf(out, "  %3u:%-3u %6.1f %7.0f", g->crank_teeth, g->wheel_teeth, g->speed_m_s * 3.6,
	        g->force_n);
	for (int road = 0; road < PLAN_ROADS; road++)
		fprintf(out, "  %-*s", road + 1 < PLAN_ROADS ? 14 : 0, plan_road_words(g, road, cell));
	fputc('\n', out);
}

static void print_roads(FILE *out, const struct plan *p)
{
	if (!p->has_drive) {
		fputs("\nRoad: the engine file gives no [drive] with sprockets, wheel diameter and mass.\n",
		      out);
		return;
	}
	fprintf(out, "\nRoad, %.0f kg", p->machine->engine.mass_kg);
	if (isfinite(p->request.grade))
		fprintf(out, ", grade %.1f %%", p->request.grade * 100);
	fputs(": \"goes\" when the force is more than the resistance; then over how much of\n"
	      "the crank circle it moves from rest; at a dead centre, the worst position, it never does\n"
	      "  teeth     km/h   force N",
	      out);
	for (int road = 0; road < PLAN_ROADS; road++)
		fprintf(out, "  %-*s", road + 1 < PLAN_ROADS ? 14 : 0, drive_roads[road].name);
	fputc('\n', out);
	for (size_t i = 0; i < p->gear_n; i++)
		print_road(out, &p->gear[i]);
	for (int road = 0; road < PLAN_ROADS; road++)
		fprintf(out, "  %s: rolling resistance %.3f of the weight (%s)\n", drive_roads[road].name,
		        drive_roads[road].rolling, drive_roads[road].source);
}

static void print_end(FILE *out, const struct plan *p)
{
	if (p->warnings.n > 0) {
		fputs("\nWhat this plan cannot promise\n", out);
		print_lines(out, 2, 4, "- ", &p->warnings);
	}
	fputs("\nLoad a new timing with the supply shut and the machine blocked; turn it by hand first.\n"
	      "Trammel is a measuring instrument, never a safety device.\n",
	      out);
}

int plan_text(const struct plan *p, FILE *out)
{
	print_head(out, p);
	if (p->has_what_if) {
		print_what_if(out, p);
		print_end(out, p);
		return ferror(out) ? -1 : 0;
	}
	print_settings(out, p);
	print_events(out, p);
	print_gain(out, p);
	plan_text_known(p, out);
	print_rows(out, p);
	print_leads(out, p);
	print_curve(out, p);
	print_start(out, p);
	print_air(out, p);
	print_roads(out, p);
	print_end(out, p);
	return ferror(out) ? -1 : 0;
}
