/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/pitch.h"
#include "analyse/crank_motion.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define PRIOR_SLOT_SD (0.4 * DEG)
#define PRIOR_ECCENTRIC_SD (0.6 * DEG)
#define PRIOR_DUTY_SD 0.1 /* of a pitch */
#define HELD_SD 1e-6      /* rad: orders that are not to be learned */
#define MEAN_SD 1e-6
#define FORGOTTEN 1e-7 /* a column this small no longer matters */
#define TIMER_SD_S 1.2e-6

struct column { /* what the filter makes of one slot's error of 1 rad */
	double x[3];
	unsigned slot;
};

struct pitch {
	struct wheel nominal;
	size_t m;
	double *normal; /* [m][m], lower triangle filled */
	double *right;  /* [m] */
	uint64_t edges;
	struct column active[CRANK_SLOTS_MAX];
	size_t active_n;
};

struct pitch *pitch_new(const struct wheel *nominal)
{
	struct pitch *p = calloc(1, sizeof *p);
	if (p == NULL)
		return NULL;
	p->nominal = *nominal;
	p->m = nominal->slots;
	p->normal = calloc(p->m * p->m, sizeof *p->normal);
	p->right = calloc(p->m, sizeof *p->right);
	if (p->normal == NULL || p->right == NULL) {
		pitch_free(p);
		return NULL;
	}
	return p;
}

void pitch_free(struct pitch *p)
{
	if (p == NULL)
		return;
	free(p->normal);
	free(p->right);
	free(p);
}

uint64_t pitch_edges(const struct pitch *p)
{
	return p->edges;
}

static void move_columns(struct pitch *p, double dt)
{
	for (size_t j = 0; j < p->active_n;) {
		struct column *c = &p->active[j];
		motion_move_state(c->x, dt);
		double size = fabs(c->x[0]) + fabs(c->x[1] * dt) + fabs(c->x[2] * dt * dt);
		if (size < FORGOTTEN)
			*c = p->active[--p->active_n];
		else
			j++;
	}
}

static struct column *column_of(struct pitch *p, unsigned slot)
{
	for (size_t j = 0; j < p->active_n; j++)
		if (p->active[j].slot == slot)
			return &p->active[j];
	p->active[p->active_n] = (struct column){{0, 0, 0}, slot};
	return &p->active[p->active_n++];
}

/* Innovations of all columns into the normal equations.  The column of the
 * edge's own slot observes -1: nominal = angle - error. */
static void take_columns(struct pitch *p, const struct motion_gain *g, unsigned slot, double innovation,
                         bool count)
{
	double v[CRANK_SLOTS_MAX];
	column_of(p, slot);
	for (size_t j = 0; j < p->active_n; j++) {
		struct column *c = &p->active[j];
		v[j] = (c->slot == slot ? -1 : 0) - c->x[0];
		motion_take_state(c->x, g, v[j]);
	}
	if (!count)
		return;
	for (size_t j = 0; j < p->active_n; j++) {
		double scaled = v[j] / g->s;
		unsigned row = p->active[j].slot;
		p->right[row] += scaled * innovation;
		for (size_t i = 0; i <= j; i++) {
			unsigned col = p->active[i].slot;
			p->normal[(row > col ? row * p->m + col : col * p->m + row)] += scaled * v[i];
		}
	}
	p->edges++;
}

void pitch_add(struct pitch *p, const struct smooth_noise *noise, const struct tooth_mark *mark, size_t n,
               int64_t shift)
{
	if (n < 16)
		return;
	const struct wheel *w = &p->nominal;
	double a0 = teeth_angle_rad(w, mark[0].slot + shift);
	double dt0 = 1e-6 * (double)(mark[1].t_us - mark[0].t_us);
	double omega = (teeth_angle_rad(w, mark[1].slot + shift) - a0) / dt0, w2 = omega * omega;
	double edge_var = noise->edge_sd_rad * noise->edge_sd_rad;
	struct motion m = {.x = {a0, omega, 0}, .p = {1, 0, 0, w2, 0, w2 * w2}};
	p->active_n = 0;
	for (size_t i = 0; i < n; i++) {
		double timer = TIMER_SD_S * m.x[1], var = edge_var + timer * timer;
		double innovation = teeth_angle_rad(w, mark[i].slot + shift) - m.x[0];
		/* The wheel's own errors are in the innovation too: only what no wheel does is left out. */
		bool outlier = i > 8 && fabs(innovation) > 6 * sqrt(m.p[0] + var) + 3 * DEG;
		struct motion_gain g = motion_take_covariance(m.p, outlier ? 1e6 : var);
		motion_take_state(m.x, &g, innovation);
		take_columns(p, &g, teeth_place(w, mark[i].slot + shift), innovation, i >= 6 && !outlier);
		if (i + 1 == n)
			break;
		double dt = 1e-6 * (double)(mark[i + 1].t_us - mark[i].t_us);
		motion_move(&m, dt, noise->drift_rad2_s4 * fabs(m.x[1]));
		move_columns(p, dt);
	}
}

/* Adds the prior "the component of the errors along `shape` is zero +- sd". */
static void add_prior(gsl_matrix *a, const double *shape, double sd)
{
	size_t m = a->size1;
	double norm = 0;
	for (size_t i = 0; i < m; i++)
		norm += shape[i] * shape[i];
	for (size_t i = 0; i < m; i++)
		for (size_t j = 0; j < m; j++)
			*gsl_matrix_ptr(a, i, j) += shape[i] * shape[j] / (norm * norm * sd * sd);
}

static void add_order_prior(gsl_matrix *a, const struct wheel *w, unsigned order, double sd)
{
	double shape[CRANK_SLOTS_MAX];
	for (unsigned part = 0; part < 2; part++) {
		for (unsigned i = 0; i < w->slots; i++)
			shape[i] = part == 0 ? cos(order * w->angle_rad[i]) : sin(order * w->angle_rad[i]);
		add_prior(a, shape, sd);
	}
}

/* The prior leaves eccentricity and duty room that single slots do not have. */
static void add_priors(gsl_matrix *a, const struct wheel *w, unsigned low_limit)
{
	size_t m = a->size1;
	double mean[CRANK_SLOTS_MAX];
	for (size_t i = 0; i < m; i++) {
		*gsl_matrix_ptr(a, i, i) += 1 / (PRIOR_SLOT_SD * PRIOR_SLOT_SD);
		mean[i] = 1;
	}
	add_prior(a, mean, MEAN_SD);
	for (unsigned h = 1; h < low_limit && 2 * h <= w->teeth; h++)
		add_order_prior(a, w, h, HELD_SD);
}

static void write_angles(const struct pitch *p, const gsl_vector *e, const gsl_matrix *cov, struct wheel *w)
{
	for (size_t i = 0; i < p->m; i++) {
		w->angle_rad[i] = p->nominal.angle_rad[i] + gsl_vector_get(e, i);
		w->angle_sd_rad[i] = sqrt(fmax(gsl_matrix_get(cov, i, i), 0));
	}
}

static bool solve(const struct pitch *p, unsigned low_limit, gsl_matrix *a, gsl_vector *b, struct wheel *w)
{
	for (size_t i = 0; i < p->m; i++) {
		gsl_vector_set(b, i, p->right[i]);
		for (size_t j = 0; j <= i; j++) {
			gsl_matrix_set(a, i, j, p->normal[i * p->m + j]);
			gsl_matrix_set(a, j, i, p->normal[i * p->m + j]);
		}
	}
	add_priors(a, &p->nominal, low_limit);
	if (gsl_linalg_cholesky_decomp1(a) != GSL_SUCCESS || gsl_linalg_cholesky_svx(a, b) != GSL_SUCCESS ||
	    gsl_linalg_cholesky_invert(a) != GSL_SUCCESS)
		return false;
	write_angles(p, b, a, w);
	return true;
}

int pitch_solve(const struct pitch *p, unsigned low_limit, struct wheel *w, struct fault *fault)
{
	gsl_matrix *a = gsl_matrix_alloc(p->m, p->m);
	gsl_vector *b = gsl_vector_alloc(p->m);
	gsl_error_handler_t *handler = gsl_set_error_handler_off();
	bool ok = a != NULL && b != NULL && solve(p, low_limit, a, b, w);
	gsl_set_error_handler(handler);
	gsl_matrix_free(a);
	gsl_vector_free(b);
	return ok ? 0 : fault_set(fault, EX_SOFTWARE, "the tooth angles cannot be solved for");
}
