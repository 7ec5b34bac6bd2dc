/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a plan knows and from where: the rides, the delays and how they change, friction. */
#include "analyse/escape.h"
#include "analyse/plan_parts.h"
#include "analyse/text_page.h"
#include "common/unit.h"

#include <math.h>

#define Z95 1.96

bool plan_change_of(const struct plan_edge *e, enum plan_covariate k, double *change, double *half_width)
{
	static const double shown[PLAN_COVARIATES] = {
	    [PLAN_SUPPLY] = 1e8, [PLAN_BATTERY] = 1e3, [PLAN_SPEED] = 1e5 * UNIT_PI / 30};
	*change = e->per[k] * shown[k];
	*half_width = Z95 * e->per_sd[k] * shown[k];
	return e->told[k];
}

/* --- friction ------------------------------------------------------------------------ */

const char *plan_friction_words(const struct plan *p, char text[PLAN_WORDS_MAX])
{
	const struct plan_machine *m = p->machine;
	double bar = m->friction_pa / 1e5, nm = plan_friction_nm(m);
	switch (m->friction_from) {
	case PLAN_FRICTION_MEASURED:
		snprintf(
		    text, PLAN_WORDS_MAX,
		    "%.2f bar mean pressure, %.1f +/- %.1f N m at the crank: what the ride worked against "
		    "less the load given",
		    bar, nm, Z95 * plan_friction_sd_nm(m));
		break;
	case PLAN_FRICTION_CAPPED:
		snprintf(text, PLAN_WORDS_MAX,
		         "%.2f bar mean pressure, %.1f N m at the crank: all that the ride worked against; "
		         "how much of it is friction is not known",
		         bar, nm);
		break;
	default:
		snprintf(text, PLAN_WORDS_MAX, "%.2f bar mean pressure, %.1f N m at the crank, %s", bar, nm,
		         m->friction_from == PLAN_FRICTION_BY_HAND ? "as given" : "assumed");
	}
	return text;
}

const char *plan_resistance_words(const struct plan *p, char text[PLAN_WORDS_MAX])
{
	const struct resistance_found *f = &p->machine->resistance;
	double per_100 = f->per_rad_s * 100 * UNIT_PI / 30;
	int n = 0;
	text[0] = '\0';
	if (f->turns == 0)
		return text;
	n += snprintf(text, PLAN_WORDS_MAX, "%.1f +/- %.1f N m at %.0f rpm, friction and load together",
	              f->nm, Z95 * sqrt(f->cov[0][0]), unit_rpm(f->omega_rad_s));
	if (f->load_varies)
		n += snprintf(
		    text + n, (size_t)(PLAN_WORDS_MAX - n),
		    ", less where the crank was faster (%+.1f +/- %.1f for 100 rpm): the load varied",
		    per_100, Z95 * sqrt(f->cov[1][1]) * 100 * UNIT_PI / 30);
	else if (f->cov[1][1] > 0)
		n += snprintf(text + n, (size_t)(PLAN_WORDS_MAX - n), ", and %+.1f +/- %.1f for 100 rpm more",
		              per_100, Z95 * sqrt(f->cov[1][1]) * 100 * UNIT_PI / 30);
	n += snprintf(text + n, (size_t)(PLAN_WORDS_MAX - n), " (energy of %u turns)", f->turns);
	if (f->coast_turns > 0)
		snprintf(text + n, (size_t)(PLAN_WORDS_MAX - n),
		         "; over %u turns without push %.1f +/- %.1f N m at %.0f rpm: the crank and all that "
		         "it drags along",
		         f->coast_turns, f->coast_nm, Z95 * f->coast_sd_nm, unit_rpm(f->coast_omega_rad_s));
	return text;
}

/* --- the text ------------------------------------------------------------------------- */

static void print_range(FILE *out, const double range[2], int decimals)
{
	char text[40] = "-";
	if (isfinite(range[0]))
		snprintf(text, sizeof text, "%.*f-%.*f", decimals, range[0], decimals, range[1]);
	fprintf(out, " %11s", text);
}

static void print_rides(FILE *out, const struct plan *p)
{
	const struct plan_machine *m = p->machine;
	if (m->run_n < 2)
		return;
	fputs("\nLearned from (the last is the machine as it is now)\n"
	      "  ride                          rpm   bar gauge   battery V  events  share\n",
	      out);
	for (size_t i = 0; i < m->run_n; i++) {
		const struct plan_run *r = &m->learned_from[i];
		const double bar[2] = {plan_gauge_bar(p, r->supply_pa[0]),
		                       plan_gauge_bar(p, r->supply_pa[1])};
		char name[2 * sizeof r->name];
		fprintf(out, "  %-20.20s", escape_plain(name, sizeof name, r->name));
		print_range(out, r->rpm, 0);
		print_range(out, bar, 2);
		print_range(out, r->battery_v, 1);
		fprintf(out, " %7u %4.0f %%\n", r->events, 100 * r->share);
	}
	fputs("  (share of what is known of the delays)\n", out);
}

static void print_change(FILE *out, const struct plan_edge *e, enum plan_covariate k)
{
	double change, half;
	char text[40] = "not known";
	if (plan_change_of(e, k, &change, &half))
		snprintf(text, sizeof text, "%+.2f +/- %.2f", change, half);
	fprintf(out, " %15s", text);
}

static void print_delays(FILE *out, const struct plan *p)
{
	if (!p->machine->from_ride)
		return;
	fputs("\nHow late the valves are (command to half open or shut), and how that changes\n"
	      "                         ms         per bar       per volt    per 100 rpm\n",
	      out);
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		for (int on = 1; on >= 0; on--) {
			const struct plan_edge *e = plan_edge_of(p->machine, v, on == 1);
			if (e == NULL)
				continue;
			fprintf(out, "  %d %-9s %5.1f +/- %4.1f", v, on ? "opens" : "shuts",
			        plan_edge_delay_s(e, &p->at) * 1e3,
			        Z95 * plan_edge_delay_sd_s(e, &p->at) * 1e3);
			for (int k = 0; k < PLAN_COVARIATES; k++)
				print_change(out, e, (enum plan_covariate)k);
			fputc('\n', out);
		}
}

static void print_passages(FILE *out, const struct plan *p)
{
	const struct plan_machine *m = p->machine;
	fputs("\nPassages, dm3/(s bar), and index of expansion\n"
	      "  end        inlet           exhaust          n               leak out  inlet leak\n",
	      out);
	for (int end = 0; end < END_COUNT; end++) {
		if (!m->used[end])
			continue;
		fprintf(out, "  %-5s", engine_end_name((enum engine_end)end));
		for (int k = 0; k < 2; k++)
			fprintf(out, "  %5.2f +/- %4.2f ", m->c_m3_s_pa[end][k] * 1e8,
			        Z95 * m->c_sd_part[end][k] * m->c_m3_s_pa[end][k] * 1e8);
		fprintf(out, "  %4.2f +/- %4.2f %10.3f %11.3f\n", m->n[end], Z95 * m->n_sd[end],
		        m->leak_m3_s_pa[end] * 1e8, m->seat_m3_s_pa[end] * 1e8);
	}
}

void plan_text_known(const struct plan *p, FILE *out)
{
	const struct text_page page = {.out = out};
	char text[PLAN_WORDS_MAX];
	print_rides(out, p);
	print_delays(out, p);
	print_passages(out, p);
	fputc('\n', out);
	text_para(&page, 0, 2, TONE_PLAIN, "Friction: %s.", plan_friction_words(p, text));
	if (plan_resistance_words(p, text)[0] != '\0')
		text_para(&page, 0, 2, TONE_PLAIN, "The ride worked against: %s.", text);
}
