/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/indicator.h"

#include <math.h>

double indicator_work_j(const struct indicator_node *node, size_t n)
{
	double work = 0;
	for (size_t k = 0; k + 1 < n; k++)
		work += 0.5 * (node[k].p_pa + node[k + 1].p_pa) * (node[k + 1].v_m3 - node[k].v_m3);
	return work;
}

static double pressure_range_pa(const struct indicator_node *node, size_t n)
{
	double low = node[0].p_pa, high = node[0].p_pa;
	for (size_t k = 1; k < n; k++) {
		low = fmin(low, node[k].p_pa);
		high = fmax(high, node[k].p_pa);
	}
	return high - low;
}

void indicator_loop(const struct indicator_node *node, size_t n, struct indicator_loop *out)
{
	*out = (struct indicator_loop){0};
	if (n < 3)
		return;
	const struct indicator_node home[2] = {node[n - 1], node[0]};
	out->work_j = indicator_work_j(node, n) + indicator_work_j(home, 2);
	out->gap_j = pressure_range_pa(node, n) * fabs(node[n - 1].v_m3 - node[0].v_m3);
	out->closed = out->gap_j <= INDICATOR_GAP_MAX * fabs(out->work_j);
}

double indicator_span_above(double x0, double y0, double x1, double y1)
{
	double span = x1 - x0;
	if (y0 >= 0 && y1 >= 0)
		return span;
	if (y0 < 0 && y1 < 0)
		return 0;
	double above = y0 >= 0 ? y0 : y1;
	return span * above / fabs(y1 - y0);
}

double indicator_work_per_rad(const struct indicator_node *node, size_t n)
{
	/* W(e) = loop of p(phi) dV(phi + e); dW/de = loop of p d(dV/dphi), by parts. */
	double sum = 0;
	for (size_t k = 0; k + 1 < n; k++) {
		double step = node[k + 1].phi_rad - node[k].phi_rad;
		if (step > 0)
			sum -= (node[k + 1].v_m3 - node[k].v_m3) / step * (node[k + 1].p_pa - node[k].p_pa);
	}
	return sum;
}
