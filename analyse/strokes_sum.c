/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/strokes_sum.h"

#include "analyse/stroke_air.h"
#include "common/unit.h"

#include <math.h>
#include <string.h>

static const double TURN = 2 * UNIT_PI;

double strokes_turn_back_rad(const struct mech *m, enum engine_end end)
{
	return end == END_CAP ? m->rod_dead_centre_rad : TURN - m->rod_dead_centre_rad;
}

static void add_known(struct mean_tally *t, double value)
{
	if (isfinite(value))
		mean_tally_add(t, value);
}

static void add_ideal(struct strokes_sum *s, const struct stroke *row, double intended_cut_off_rad)
{
	s->with_ideal++;
	s->ledger_gap = fmax(s->ledger_gap, row->ledger_gap_j / fabs(row->ideal_work_j));
	s->ideal_j += row->ideal_work_j;
	s->work_with_ideal_j += row->work_j;
	s->intended_cut_off_rad += intended_cut_off_rad;
	for (int l = 0; l < LEDGER_LINES; l++)
		s->ledger_j[l] += row->ledger_j[l];
}

static void leave_out(struct strokes_sum *s, const char *why)
{
	s->left_out++;
	for (size_t i = 0; i < STROKE_REASONS; i++) {
		struct stroke_reason *r = &s->reason[i];
		if (r->why != NULL && strcmp(r->why, why) != 0)
			continue;
		r->why = why;
		r->n++;
		return;
	}
}

void strokes_sum_add(struct strokes_sum *s, const struct stroke *row, const struct stroke_extra *extra)
{
	s->peak_force_n = fmax(s->peak_force_n, row->peak_force_n);
	if (row->flag[0] != '\0') {
		leave_out(s, row->flag);
		return;
	}
	s->loop_gap = fmax(s->loop_gap, row->loop_gap_j / fabs(row->work_j));
	mean_tally_add(&s->work, row->work_j);
	mean_tally_add(&s->omega, row->omega_rad_s);
	mean_tally_add(&s->mep, row->mep_pa);
	speed_sums_add(&s->work_line, row->omega_rad_s, row->work_j);
	speed_sums_add(&s->useful_line, row->omega_rad_s, row->useful_rad);
	speed_sums_add(&s->factor_line, row->omega_rad_s, row->work_j / row->ideal_work_j);
	add_known(&s->useful, row->useful_rad);
	add_known(&s->release, row->release_pa);
	add_known(&s->supply, row->supply_pa);
	s->angle_shift_j += extra->angle_shift_j;
	s->angle_sd_rad += extra->angle_sd_rad;
	s->zero_sd_pa = extra->zero_sd_pa;
	if (isfinite(extra->useful_zero_rad))
		s->useful_zero_rad += extra->useful_zero_rad;
	s->noise_j2 += extra->noise_j * extra->noise_j;
	if (isfinite(row->ideal_work_j))
		add_ideal(s, row, extra->intended_cut_off_rad);
}

void strokes_sum_air(struct strokes_sum *s, const struct stroke *row, double supply_k)
{
	mean_tally_add(&s->supply_k, supply_k);
	bool known = isfinite(row->air_kg);
	add_known(&s->air, row->air_kg);
	add_known(&s->air_doubt, known ? row->air_doubt_kg : NAN);
	s->air_unknown += !known && isfinite(row->air_doubt_kg);
	s->through_kg += !known && isfinite(row->air_doubt_kg) ? row->air_doubt_kg : 0;
	speed_sums_add(&s->air_line, row->omega_rad_s, row->air_kg);
}

void strokes_sum_doubt(struct strokes_sum *s, const struct ledger_change change[LEDGER_DOUBTS])
{
	s->doubted++;
	for (int i = 0; i < LEDGER_DOUBTS; i++) {
		s->doubt[i].ideal_j += change[i].ideal_j;
		for (int l = 0; l < LEDGER_LINES; l++)
			s->doubt[i].line_j[l] += change[i].line_j[l];
	}
}

/* Each cause moves all strokes alike; the causes know nothing of each other.  The noise differs from stroke
 * to stroke. */
static void sum_doubts(const struct strokes_sum *s, struct stroke_summary *out)
{
	double n = (double)s->doubted, noise_j = sqrt(s->noise_j2) / (double)s->work.n;
	double line2[LEDGER_LINES] = {0}, ideal2 = 0, factor2 = noise_j * noise_j;
	for (int i = 0; i < LEDGER_DOUBTS; i++) {
		double ideal = s->doubt[i].ideal_j / n, lost = 0;
		for (int l = 0; l < LEDGER_LINES; l++) {
			double line = s->doubt[i].line_j[l] / n;
			line2[l] += line * line;
			lost += line;
		}
		double work = ideal - lost, factor = work - out->diagram_factor * ideal;
		ideal2 += ideal * ideal;
		factor2 += factor * factor;
	}
	for (int l = 0; l < LEDGER_LINES; l++)
		out->ledger_sd_j[l] = n > 0 ? hypot(sqrt(line2[l]), noise_j) : NAN;
	out->ideal_sd_j = n > 0 ? sqrt(ideal2) : NAN;
	out->diagram_factor_sd = n > 0 ? sqrt(factor2) / out->ideal_work_j : NAN;
}

void strokes_sum_nodes(struct strokes_sum *s, const struct stroke_nodes *nodes)
{
	for (size_t k = 0; k < nodes->n; k++) {
		double phi = nodes->node[k].phi_rad;
		if (!(phi >= 0 && phi < TURN))
			continue;
		size_t bin = (size_t)(phi / TURN * STROKE_BINS);
		if (bin >= STROKE_BINS)
			continue;
		s->measured_pa[bin] += nodes->node[k].p_pa;
		s->measured_n[bin]++;
		if (isfinite(nodes->supply_pa[k])) {
			s->supply_pa[bin] += nodes->supply_pa[k];
			s->supply_n[bin]++;
		}
	}
}

void strokes_sum_summary(const struct strokes_sum *s, const struct mech *m, enum engine_end end,
                         struct stroke_summary *out)
{
	double n = (double)s->work.n, ideal_n = (double)s->with_ideal;
	*out = (struct stroke_summary){.count = (unsigned)s->work.n, .left_out = s->left_out};
	memcpy(out->reason, s->reason, sizeof out->reason);
	out->omega_rad_s = mean_tally_mean(&s->omega);
	out->supply_pa = mean_tally_mean(&s->supply);
	out->useful_rad = mean_tally_mean(&s->useful);
	out->useful_sd_rad = n > 0 ? hypot(s->angle_sd_rad, s->useful_zero_rad) / n : NAN;
	out->useful_spread_rad = mean_tally_sd(&s->useful);
	out->work_spread_j = mean_tally_sd(&s->work);
	out->useful_fraction = out->useful_rad / strokes_turn_back_rad(m, end);
	out->work_j = mean_tally_mean(&s->work);
	out->work_sd_j = n > 0 ? hypot(s->angle_shift_j, sqrt(s->noise_j2)) / n : NAN;
	out->work_line = speed_sums_line(&s->work_line);
	out->useful_line = speed_sums_line(&s->useful_line);
	out->factor_line = speed_sums_line(&s->factor_line);
	out->air_line = speed_sums_line(&s->air_line);
	out->mep_pa = mean_tally_mean(&s->mep);
	out->mep_sd_pa = out->work_sd_j / mech_swept_m3(m, end);
	out->release_pa = mean_tally_mean(&s->release);
	out->release_sd_pa = hypot(s->zero_sd_pa, mean_tally_sd(&s->release) / sqrt((double)s->release.n));
	out->air_kg = mean_tally_mean(&s->air);
	out->supply_k = mean_tally_mean(&s->supply_k);
	out->air_unknown = s->air_unknown;
	double unknown = s->air_unknown > 0 ? s->through_kg / ((double)s->air.n + s->air_unknown) : 0;
	out->air_error_kg =
	    hypot(STROKE_AIR_GAUGE_PART * out->air_kg, mean_tally_mean(&s->air_doubt) + unknown);
	out->peak_force_n = n > 0 ? s->peak_force_n : NAN;
	out->ideal_work_j = ideal_n > 0 ? s->ideal_j / ideal_n : NAN;
	out->diagram_factor = ideal_n > 0 ? s->work_with_ideal_j / s->ideal_j : NAN;
	out->useful_fraction_work = out->diagram_factor;
	out->loop_gap = n > 0 ? s->loop_gap : NAN;
	out->ledger_gap = ideal_n > 0 ? s->ledger_gap : NAN;
	for (int l = 0; l < LEDGER_LINES; l++)
		out->ledger_j[l] = ideal_n > 0 ? s->ledger_j[l] / ideal_n : NAN;
	sum_doubts(s, out);
}

/* The reference diagram at the mean supply pressure and intended cut-off. */
static struct ledger_case mean_case(const struct strokes_sum *s, const struct mech *m, enum engine_end end,
                                    double ambient_pa, double n)
{
	double dead_centre = mech_dead_centre_rad(m, end);
	double cut_off = s->intended_cut_off_rad / (double)s->with_ideal;
	return (struct ledger_case){
	    .supply_pa = mean_tally_mean(&s->supply),
	    .ambient_pa = ambient_pa,
	    .n = n,
	    .turn_back_rad = strokes_turn_back_rad(m, end),
	    .v_intended_m3 =
	        mech_volume_m3(m, end, dead_centre + fmin(cut_off, strokes_turn_back_rad(m, end))),
	};
}

void strokes_sum_diagram(const struct strokes_sum *s, const struct mech *m, enum engine_end end,
                         double ambient_pa, double n, struct stroke_diagram *out)
{
	struct ledger_case c = {0};
	if (s->with_ideal > 0)
		c = mean_case(s, m, end, ambient_pa, n);
	for (size_t b = 0; b < STROKE_BINS; b++) {
		double phi = ((double)b + 0.5) * TURN / STROKE_BINS;
		double v = mech_volume_m3(m, end, mech_dead_centre_rad(m, end) + phi);
		out->measured_pa[b] = s->measured_n[b] > 0 ? s->measured_pa[b] / s->measured_n[b] : NAN;
		out->supply_pa[b] = s->supply_n[b] > 0 ? s->supply_pa[b] / s->supply_n[b] : NAN;
		out->ideal_pa[b] = s->with_ideal > 0 ? ledger_ideal_pa(&c, phi, v) : NAN;
	}
}
