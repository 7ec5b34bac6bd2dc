/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/stroke_nodes.h"

#include "common/unit.h"

#include <math.h>
#include <stdlib.h>

/* Fewer samples a turn than this say too little about a diagram. */
#define SAMPLES_MIN 24
#define HOLE_INTERVALS 5.0
#define INTERVALS_SEEN 101
#define FULL_RUN 3

void stroke_nodes_free(struct stroke_nodes *s)
{
	free(s->node);
	free(s->supply_pa);
	*s = (struct stroke_nodes){0};
}

static int by_size(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;
	return (x > y) - (x < y);
}

double stroke_hole_us(const struct ride_series *s)
{
	double interval[INTERVALS_SEEN];
	if (s->n < 2)
		return 0;
	size_t seen = s->n - 1 < INTERVALS_SEEN ? s->n - 1 : INTERVALS_SEEN;
	for (size_t k = 0; k < seen; k++) {
		size_t i = k * (s->n - 1) / seen;
		interval[k] = (double)(s->t_us[i + 1] - s->t_us[i]);
	}
	qsort(interval, seen, sizeof *interval, by_size);
	return HOLE_INTERVALS * interval[seen / 2];
}

uint16_t stroke_full_counts(const struct ride_series *s)
{
	uint16_t most = 0;
	for (size_t i = 0; i < s->n && s->counts != NULL; i++)
		most = s->counts[i] > most ? s->counts[i] : most;
	return most >= 255 && (most & (most + 1U)) == 0 ? most : 0;
}

static int make_room(struct stroke_nodes *s, size_t n)
{
	if (n <= s->room)
		return 0;
	size_t room = n + n / 2 + 64;
	struct indicator_node *node = realloc(s->node, room * sizeof *node);
	if (node == NULL)
		return -1;
	s->node = node;
	double *supply = realloc(s->supply_pa, room * sizeof *supply);
	if (supply == NULL)
		return -1;
	s->supply_pa = supply;
	s->room = room;
	return 0;
}

/* Supply pressure at t; *i follows the rising times. */
static double supply_at(const struct stroke_source *from, double t_us, size_t *i)
{
	const struct ride_series *s = from->supply;
	if (s == NULL || s->n < 2)
		return NAN;
	while (*i + 2 < s->n && (double)s->t_us[*i + 1] < t_us)
		(*i)++;
	double t0 = (double)s->t_us[*i], t1 = (double)s->t_us[*i + 1];
	bool outside = t_us < t0 - from->supply_hole_us || t_us > t1 + from->supply_hole_us;
	if (outside || t1 - t0 > from->supply_hole_us)
		return NAN;
	double part = fmin(fmax((t_us - t0) / (t1 - t0), 0), 1);
	return (double)s->value[*i] + part * (double)(s->value[*i + 1] - s->value[*i]);
}

/* FULL_RUN samples one after the other at the converter's full scale. */
static bool beyond_range(const struct stroke_source *from, size_t first, size_t last)
{
	unsigned run = 0;
	for (size_t i = first; i <= last && from->full_counts > 0; i++) {
		run = from->chamber->counts[i] == from->full_counts ? run + 1 : 0;
		if (run == FULL_RUN)
			return true;
	}
	return false;
}

static const char *find_fault(const struct stroke_source *from, size_t first, size_t last, double t0_us,
                              double t1_us)
{
	const int64_t *t = from->chamber->t_us;
	if (last - first < SAMPLES_MIN)
		return "too few pressure samples";
	if ((double)t[first] > t0_us || (double)t[last] < t1_us)
		return "pressure samples missing";
	for (size_t i = first; i < last; i++)
		if ((double)(t[i + 1] - t[i]) > from->chamber_hole_us)
			return "hole in the pressure samples";
	for (size_t i = first; i <= last; i++) {
		double p = (double)from->chamber->value[i];
		if (p < from->least_pa || p > from->most_pa)
			return "a pressure that cannot be";
	}
	return "";
}

static const char *fill(struct stroke_nodes *s, const struct stroke_source *from,
                        const struct stroke_turn *turn, size_t first, size_t last)
{
	const struct ride_series *c = from->chamber;
	size_t hint = 0;
	size_t supply = 0;
	if (from->supply != NULL && from->supply->n > 0) {
		supply = ride_lower_bound(from->supply->t_us, from->supply->n, c->t_us[first]);
		supply = supply > 0 ? supply - 1 : 0;
	}
	for (size_t i = first; i <= last; i++) {
		double t = (double)c->t_us[i];
		double theta_rad = crank_angle_at(from->crank, t - from->lag_us, &hint);
		double phi = theta_rad - turn->dead_centre_rad;
		if (s->n > 0 && !(phi > s->node[s->n - 1].phi_rad))
			return "crank turned back";
		s->supply_pa[s->n] = supply_at(from, t, &supply);
		if (from->supply != NULL && isnan(s->supply_pa[s->n]))
			return "hole in the supply pressure";
		s->node[s->n++] =
		    (struct indicator_node){.phi_rad = phi,
		                            .v_m3 = mech_volume_m3(from->mech, from->end, theta_rad),
		                            .p_pa = (double)c->value[i]};
	}
	return "";
}

int stroke_nodes_gather(struct stroke_nodes *s, const struct stroke_source *from,
                        const struct stroke_turn *turn, double from_rad, const char **why)
{
	const struct ride_series *c = from->chamber;
	double turn_us = turn->t1_us - turn->t0_us;
	double t0_us = turn->t0_us + from->lag_us, t1_us = turn->t1_us + from->lag_us;
	double start_us = t0_us + turn_us * from_rad / (2 * UNIT_PI);
	s->n = 0;
	*why = "pressure samples missing";
	size_t first = ride_lower_bound(c->t_us, c->n, (int64_t)ceil(start_us));
	size_t last = ride_lower_bound(c->t_us, c->n, (int64_t)ceil(t1_us));
	if (first == 0 || last >= c->n)
		return 0;
	first--;
	*why = find_fault(from, first, last, t0_us, t1_us);
	if ((*why)[0] != '\0')
		return 0;
	if (make_room(s, last - first + 1) != 0)
		return -1;
	*why = fill(s, from, turn, first, last);
	if ((*why)[0] == '\0' && (s->node[0].phi_rad > 0 || s->node[s->n - 1].phi_rad < 2 * UNIT_PI))
		*why = "pressure samples missing";
	if ((*why)[0] == '\0' && beyond_range(from, first, last))
		*why = "pressure beyond the sensor's range";
	return 0;
}

size_t stroke_nodes_at(const struct stroke_nodes *s, double phi_rad)
{
	size_t low = 0, high = s->n;
	while (low < high) {
		size_t middle = (low + high) / 2;
		if (s->node[middle].phi_rad < phi_rad)
			low = middle + 1;
		else
			high = middle;
	}
	return low;
}

static double between(double x, double x0, double x1, double y0, double y1)
{
	return y0 + (y1 - y0) * (x - x0) / (x1 - x0);
}

double stroke_nodes_pa(const struct stroke_nodes *s, double phi_rad)
{
	size_t i = stroke_nodes_at(s, phi_rad);
	if (i == s->n || !(phi_rad >= s->node[0].phi_rad))
		return NAN;
	const struct indicator_node *b = &s->node[i];
	if (b->phi_rad == phi_rad)
		return b->p_pa;
	return between(phi_rad, b[-1].phi_rad, b->phi_rad, b[-1].p_pa, b->p_pa);
}

int stroke_nodes_insert(struct stroke_nodes *s, const struct stroke_source *from, double dead_centre_rad,
                        double phi_rad)
{
	size_t i = stroke_nodes_at(s, phi_rad);
	if (i == 0 || i == s->n || s->node[i].phi_rad == phi_rad)
		return 0;
	if (make_room(s, s->n + 1) != 0)
		return -1;
	const struct indicator_node *a = &s->node[i - 1], *b = &s->node[i];
	struct indicator_node node = {.phi_rad = phi_rad,
	                              .v_m3 =
	                                  mech_volume_m3(from->mech, from->end, dead_centre_rad + phi_rad),
	                              .p_pa = between(phi_rad, a->phi_rad, b->phi_rad, a->p_pa, b->p_pa)};
	double supply = between(phi_rad, a->phi_rad, b->phi_rad, s->supply_pa[i - 1], s->supply_pa[i]);
	for (size_t k = s->n; k > i; k--) {
		s->node[k] = s->node[k - 1];
		s->supply_pa[k] = s->supply_pa[k - 1];
	}
	s->node[i] = node;
	s->supply_pa[i] = supply;
	s->n++;
	return 0;
}
