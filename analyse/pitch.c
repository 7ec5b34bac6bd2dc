/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/pitch.h"
#include "analyse/crank_motion.h"
#include "analyse/processor.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define PRIOR_SLOT_SD (0.4 * DEG)
#define PRIOR_ECCENTRIC_SD (0.6 * DEG)
#define PRIOR_DUTY_SD 0.1 /* of a pitch */
#define HELD_SD 1e-8      /* rad: orders that are not to be learned */
#define MEAN_SD 1e-8
#define FORGOTTEN 1e-5 /* a column this small no longer matters */
#define OUTLIER_SD 7.0
#define REJECT_ROW 2 /* that many in a row are no outliers */
#define SETTLE 6     /* edges after which the filter knows its state */
#define TIMER_SD_S 1.2e-6
#define ABREAST 4 /* columns of the equations taken at a time */
#define ROOM (CRANK_SLOTS_MAX + TORQUE_MAX + ABREAST)
#define EDGES 4 /* that wait to be taken together */

typedef double abreast
    __attribute__((vector_size(ABREAST * sizeof(double)), aligned(sizeof(double)), may_alias));

/* What the filter makes of one slot's error of 1 rad each, or, with the other sign, of one push: the pushes
 * first, then slots.  Zero from n on. */
struct columns {
	double x[3][ROOM];
	unsigned row[ROOM]; /* of the normal equations */
	size_t n;
	size_t after[CRANK_SLOTS_MAX]; /* where a slot's column stands, and 1; 0 = it has none */
};

/* What pushed the crank over one row besides, unknown but slow: straight, square and
 * cube of the time.  Each row has its own, and they are done with at its end. */
#define SLOW 3

struct slow {
	double x[SLOW][3], v[SLOW];             /* columns; their innovations */
	double normal[SLOW][SLOW], right[SLOW]; /* equations */
	double middle_us, half_us, sd;          /* of the row; rad/s2 */
};

/* Edges of which the equations do not know yet. */
struct waiting {
	double v[EDGES][ROOM], inverse_s[EDGES]; /* innovations by unknowns; 0 where there is none */
	double slow[EDGES][SLOW];                /* what they add to the row's own equations */
	size_t n;
};

struct pitch {
	struct wheel nominal;
	struct torque torque;
	size_t slots, size; /* unknowns: slots, then torque factors */
	size_t stride;      /* size, up to a multiple of ABREAST */
	double *normal;     /* [size][stride]; (i, j) with j <= i only, what else is there means nothing */
	double *right;      /* [size] */
	double square, log_s;
	uint64_t edges, rows;
	bool has_guess;
	double guess[CRANK_SLOTS_MAX + TORQUE_MAX]; /* of the unknowns, to know outliers by */
	double stray_rad[CRANK_SLOTS_MAX];          /* of the guess */
	struct columns active;
	struct waiting waiting;
	struct slow slow;
	double cross[SLOW][ROOM]; /* of its equations with the unknowns of the wheel */
};

struct pitch *pitch_new(const struct wheel *nominal, const struct torque *torque)
{
	struct pitch *p = calloc(1, sizeof *p);
	if (p == NULL)
		return NULL;
	p->nominal = *nominal;
	p->torque = torque != NULL ? *torque : (struct torque){.kind = TORQUE_NONE};
	p->slots = nominal->slots;
	p->size = p->slots + p->torque.columns;
	p->stride = (p->size + ABREAST - 1) / ABREAST * ABREAST;
	p->normal = calloc(p->size * p->stride, sizeof *p->normal);
	p->right = calloc(p->size, sizeof *p->right);
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

void pitch_clear(struct pitch *p)
{
	memset(p->normal, 0, p->size * p->stride * sizeof *p->normal);
	memset(p->right, 0, p->size * sizeof *p->right);
	p->square = p->log_s = 0;
	p->edges = p->rows = 0;
}

void pitch_expect(struct pitch *p, const struct torque *torque)
{
	memcpy(p->torque.prior_sd, torque->prior_sd, sizeof p->torque.prior_sd);
}

void pitch_join(struct pitch *p, const struct pitch *other, double weight)
{
	for (size_t i = 0; i < p->size * p->stride; i++)
		p->normal[i] += weight * other->normal[i];
	for (size_t i = 0; i < p->size; i++)
		p->right[i] += weight * other->right[i];
	p->square += weight * other->square;
	p->log_s += other->log_s;
	p->edges += other->edges;
	p->rows += other->rows;
}

uint64_t pitch_edges(const struct pitch *p)
{
	return p->edges;
}

static void start_columns(struct pitch *p)
{
	struct columns *c = &p->active;
	c->n = p->torque.columns;
	for (int i = 0; i < 3; i++)
		memset(c->x[i], 0, p->stride * sizeof *c->x[i]);
	memset(c->after, 0, p->slots * sizeof *c->after);
	for (unsigned i = 0; i < p->torque.columns; i++)
		c->row[i] = (unsigned)p->slots + i;
}

static abreast *at(double *column)
{
	return (abreast *)column;
}

static void step_columns(struct columns *c, const struct motion_step *step)
{
	for (size_t j = 0; j < c->n; j += ABREAST) {
		abreast rad_s = *at(&c->x[1][j]), rad_s2 = *at(&c->x[2][j]);
		*at(&c->x[0][j]) += step->f01 * rad_s + step->f02 * rad_s2;
		*at(&c->x[1][j]) = step->f11 * rad_s + step->f12 * rad_s2;
	}
}

/* The last column takes the place of this one. */
static void forget_column(struct columns *c, size_t j)
{
	size_t last = --c->n;
	c->after[c->row[j]] = 0;
	if (j != last)
		c->after[c->row[last]] = j + 1;
	c->row[j] = c->row[last];
	for (int i = 0; i < 3; i++) {
		c->x[i][j] = c->x[i][last];
		c->x[i][last] = 0;
	}
}

static void move_columns(struct pitch *p, const struct motion_step *step, double dt,
                         const struct torque_push *push)
{
	struct columns *c = &p->active;
	step_columns(c, step);
	for (size_t j = 0; j < p->torque.columns; j++) {
		c->x[0][j] -= push[j].rad;
		c->x[1][j] -= push[j].rad_s;
	}
	for (size_t j = p->torque.columns; j < c->n;) {
		double size = fabs(c->x[0][j]) + fabs(c->x[1][j] * dt) + fabs(c->x[2][j] * dt * dt);
		if (size < FORGOTTEN)
			forget_column(c, j);
		else
			j++;
	}
}

static void wake_column(struct columns *c, unsigned slot)
{
	if (c->after[slot] != 0)
		return;
	c->row[c->n] = slot;
	c->after[slot] = ++c->n;
}

/* Innovations of all columns.  Nominal angle = true angle - the slot's error, so
 * that the slot's own column observes -1; a push is in the motion, so that its
 * column, which has the other sign, is predicted and observes 0. */
static void column_innovations(struct columns *c, unsigned slot, double v[ROOM])
{
	size_t own = c->after[slot] - 1;
	for (size_t j = 0; j < c->n; j += ABREAST)
		*at(&v[j]) = -*at(&c->x[0][j]);
	v[own] = -1 - c->x[0][own];
}

static void take_columns(struct columns *c, const struct motion_gain *g, double v[ROOM])
{
	for (size_t j = 0; j < c->n; j += ABREAST)
		for (int i = 0; i < 3; i++)
			*at(&c->x[i][j]) += g->k[i] * *at(&v[j]);
}

/* Adds the waiting edges to a row of sums, each of them in turn: columns at rest too, as there is no other
 * way to be fast. */
static inline __attribute__((always_inline)) void add_row(const struct waiting *w, double *row, size_t n,
                                                          const double by[EDGES])
{
	_Static_assert(EDGES == 4, "written out");
	for (size_t col = 0; col < n; col += ABREAST) {
		abreast *sum = (abreast *)&row[col];
		*sum = *sum + by[0] * *(const abreast *)&w->v[0][col] +
		       by[1] * *(const abreast *)&w->v[1][col] + by[2] * *(const abreast *)&w->v[2][col] +
		       by[3] * *(const abreast *)&w->v[3][col];
	}
}

static inline __attribute__((always_inline)) void add_rows(struct pitch *p)
{
	const struct waiting *w = &p->waiting;
	double by[EDGES];
	for (size_t row = 0; row < p->size; row++) {
		bool any = false;
		for (size_t i = 0; i < EDGES; i++) {
			by[i] = w->v[i][row] * w->inverse_s[i];
			any = any || by[i] != 0;
		}
		if (any)
			add_row(w, &p->normal[row * p->stride], row + 1, by);
	}
	for (size_t k = 0; k < SLOW; k++) {
		for (size_t i = 0; i < EDGES; i++)
			by[i] = w->slow[i][k];
		add_row(w, p->cross[k], p->size, by);
	}
}

#ifdef __x86_64__
/* Four columns in one register, where the processor can: the same numbers. */
__attribute__((target("avx2"))) static void add_rows_wide(struct pitch *p)
{
	add_rows(p);
}
#else
#define add_rows_wide add_rows
#endif

static void take_waiting(struct pitch *p)
{
	if (processor_is_wide())
		add_rows_wide(p);
	else
		add_rows(p);
	for (size_t i = 0; i < EDGES; i++) {
		memset(p->waiting.v[i], 0, p->size * sizeof *p->waiting.v[i]);
		p->waiting.inverse_s[i] = 0;
		memset(p->waiting.slow[i], 0, sizeof p->waiting.slow[i]);
	}
	p->waiting.n = 0;
}

static void take_equations(struct pitch *p, double s, const double *v, double innovation)
{
	double inverse_s = 1 / s;
	struct waiting *w = &p->waiting;
	for (size_t j = 0; j < p->active.n; j++) {
		unsigned row = p->active.row[j];
		w->v[w->n][row] = v[j];
		p->right[row] += v[j] * inverse_s * innovation;
	}
	w->inverse_s[w->n] = inverse_s;
	if (++w->n == EDGES)
		take_waiting(p);
	p->square += innovation * innovation * inverse_s;
	p->log_s += log(s);
	p->edges++;
}

static void start_slow(struct pitch *p, const struct tooth_mark *mark, size_t n, double omega)
{
	for (int i = 0; i < SLOW; i++)
		memset(p->cross[i], 0, p->stride * sizeof *p->cross[i]);
	p->slow = (struct slow){.middle_us = 0.5 * (double)(mark[0].t_us + mark[n - 1].t_us),
	                        .half_us = 0.5 * (double)(mark[n - 1].t_us - mark[0].t_us),
	                        .sd = omega * omega};
}

static void move_slow(struct slow *s, const struct motion_step *step, double drag, double dt,
                      double middle_us)
{
	double rad, rad_s, at = (middle_us - s->middle_us) / s->half_us, push = 1;
	motion_constant(drag, dt, &rad, &rad_s);
	for (unsigned i = 0; i < SLOW; i++) {
		push *= at;
		motion_step_state(s->x[i], step);
		s->x[i][0] += push * rad;
		s->x[i][1] += push * rad_s;
	}
}

static void take_slow(struct pitch *p, const struct motion_gain *g, double innovation, bool counts)
{
	struct slow *s = &p->slow;
	for (unsigned i = 0; i < SLOW; i++)
		s->v[i] = s->x[i][0];
	for (unsigned i = 0; i < SLOW; i++) {
		motion_take_state(s->x[i], g, -s->v[i]);
		double scaled = counts ? s->v[i] / g->s : 0;
		s->right[i] += scaled * innovation;
		for (unsigned j = 0; j <= i; j++)
			s->normal[i][j] += scaled * s->v[j];
		p->waiting.slow[p->waiting.n][i] = scaled;
	}
}

/* The row's own unknowns out of the equations, one after the other. */
static void end_slow(struct pitch *p)
{
	struct slow *s = &p->slow;
	p->rows++;
	for (unsigned i = 0; i < SLOW; i++)
		s->normal[i][i] += 1 / (s->sd * s->sd);
	for (unsigned k = SLOW; k-- > 0;) {
		double pivot = s->normal[k][k];
		for (unsigned i = 0; i < k; i++) {
			double part = s->normal[k][i] / pivot;
			s->right[i] -= part * s->right[k];
			for (unsigned j = 0; j <= i; j++)
				s->normal[i][j] -= part * s->normal[k][j];
			for (size_t j = 0; j < p->size; j++)
				p->cross[i][j] -= part * p->cross[k][j];
		}
		for (size_t i = 0; i < p->size; i++) {
			double part = p->cross[k][i] / pivot;
			if (part == 0)
				continue;
			p->right[i] -= part * s->right[k];
			for (size_t j = 0; j <= i; j++)
				p->normal[i * p->stride + j] -= part * p->cross[k][j];
		}
		p->square -= s->right[k] * s->right[k] / pivot;
		p->log_s += log(pivot * s->sd * s->sd);
	}
}

/* An edge taken for the wrong slot is far off what the guess explains. */
static bool is_outlier(const struct pitch *p, const double *v, unsigned slot, double innovation, double s)
{
	if (!p->has_guess)
		return false;
	for (size_t j = 0; j < p->active.n; j++)
		innovation -= v[j] * p->guess[p->active.row[j]];
	double var = s + p->stray_rad[slot] * p->stray_rad[slot];
	return innovation * innovation > OUTLIER_SD * OUTLIER_SD * var;
}

static struct motion set_out(const struct wheel *w, double drag, const struct tooth_mark *mark, int64_t shift)
{
	double a0 = teeth_angle_rad(w, mark[0].slot + shift);
	double dt = 1e-6 * (double)(mark[1].t_us - mark[0].t_us);
	double omega = (teeth_angle_rad(w, mark[1].slot + shift) - a0) / dt, w2 = omega * omega;
	double held = drag * omega; /* something works against the load */
	return (struct motion){.x = {a0, omega, held}, .p = {1, 0, 0, w2, 0, w2 * w2 + held * held}};
}

void pitch_add(struct pitch *p, const struct smooth_noise *noise, const struct tooth_mark *mark, size_t n,
               int64_t shift, const struct torque_push *push)
{
	if (n < 16)
		return;
	const struct wheel *w = &p->nominal;
	double drag = p->torque.drag_per_s;
	struct motion m = set_out(w, drag, mark, shift);
	double edge_var = noise->edge_sd_rad * noise->edge_sd_rad, v[ROOM];
	unsigned row = 0;
	start_columns(p);
	start_slow(p, mark, n, m.x[1]);
	for (size_t i = 0; i < n; i++) {
		double timer = TIMER_SD_S * m.x[1], var = edge_var + timer * timer;
		double innovation = teeth_angle_rad(w, mark[i].slot + shift) - m.x[0];
		unsigned slot = teeth_place(w, mark[i].slot + shift);
		wake_column(&p->active, slot);
		column_innovations(&p->active, slot, v);
		bool outlier =
		    i >= PITCH_BLIND && row < REJECT_ROW && is_outlier(p, v, slot, innovation, m.p[0] + var);
		row = outlier ? row + 1 : 0;
		struct motion_gain g = motion_take_covariance(m.p, outlier ? 1e6 : var);
		motion_take_state(m.x, &g, innovation);
		take_columns(&p->active, &g, v);
		take_slow(p, &g, innovation, i >= SETTLE && !outlier);
		if (i >= SETTLE && !outlier)
			take_equations(p, g.s, v, innovation);
		if (i + 1 == n)
			break;
		double dt = 1e-6 * (double)(mark[i + 1].t_us - mark[i].t_us);
		struct motion_step step = motion_step_of(drag, dt);
		motion_step_covariance(m.p, &step, drag, dt, smooth_drift(noise, m.x[1]));
		motion_step_state(m.x, &step);
		move_slow(&p->slow, &step, drag, dt, 0.5 * (double)(mark[i].t_us + mark[i + 1].t_us));
		move_columns(p, &step, dt, push == NULL ? NULL : push + i * p->torque.columns);
	}
	take_waiting(p);
	end_slow(p);
}

void pitch_guess(struct pitch *p, const struct pitch_result *r)
{
	p->has_guess = true;
	for (size_t i = 0; i < p->slots; i++)
		p->guess[i] = r->error_rad[i];
	memcpy(p->stray_rad, r->stray_rad, sizeof p->stray_rad);
	for (size_t i = 0; i < p->torque.columns; i++)
		p->guess[p->slots + i] = r->factor[i];
}

/* Adds the prior "the component of the errors along `shape` is zero +- sd". */
static void add_prior(gsl_matrix *a, const double *shape, size_t m, double sd)
{
	double norm = 0;
	for (size_t i = 0; i < m; i++)
		norm += shape[i] * shape[i];
	for (size_t i = 0; i < m; i++)
		for (size_t j = 0; j < m; j++)
			*gsl_matrix_ptr(a, i, j) += shape[i] * shape[j] / (norm * norm * sd * sd);
}

/* Component 2h-2 (cosine) or 2h-1 (sine) of order h over the slots. */
static void order_shape(const struct wheel *w, unsigned component, double *shape)
{
	unsigned h = component / 2 + 1;
	for (unsigned i = 0; i < w->slots; i++)
		shape[i] = component % 2 == 0 ? cos(h * w->angle_rad[i]) : sin(h * w->angle_rad[i]);
}

/* Single slots stray by PRIOR_SLOT_SD; a wheel may sit eccentric besides: less
 * precision along order 1, as a rank-one change of the prior. */
static void add_eccentric_prior(gsl_matrix *a, const struct wheel *w)
{
	double shape[CRANK_SLOTS_MAX], slot = PRIOR_SLOT_SD, off = PRIOR_ECCENTRIC_SD;
	for (unsigned part = 0; part < 2; part++) {
		order_shape(w, part, shape);
		double norm = 0;
		for (unsigned i = 0; i < w->slots; i++)
			norm += shape[i] * shape[i];
		double less = 1 / (slot * slot) * (off * off) / (off * off + slot * slot / norm) / norm;
		for (unsigned i = 0; i < w->slots; i++)
			for (unsigned j = 0; j < w->slots; j++)
				*gsl_matrix_ptr(a, i, j) -= less * shape[i] * shape[j];
	}
}

static void add_priors(gsl_matrix *a, const struct pitch *p, unsigned low_limit)
{
	const struct wheel *w = &p->nominal;
	double shape[CRANK_SLOTS_MAX];
	for (size_t i = 0; i < p->slots; i++)
		*gsl_matrix_ptr(a, i, i) += 1 / (PRIOR_SLOT_SD * PRIOR_SLOT_SD);
	add_eccentric_prior(a, w);
	for (size_t i = 0; i < p->torque.columns; i++)
		*gsl_matrix_ptr(a, p->slots + i, p->slots + i) +=
		    1 / (p->torque.prior_sd[i] * p->torque.prior_sd[i]);
	for (size_t i = 0; i < p->slots; i++)
		shape[i] = 1;
	add_prior(a, shape, p->slots, MEAN_SD);
	for (unsigned c = 0; c + 2 < 2 * low_limit && c + 2 <= w->teeth; c++) {
		order_shape(w, c, shape);
		add_prior(a, shape, p->slots, HELD_SD);
	}
}

/* Amplitudes of the low orders in the errors, and their covariance. */
static void low_orders(const struct pitch *p, const gsl_vector *e, const gsl_matrix *cov,
                       struct pitch_result *out)
{
	enum { N = 2 * PITCH_LOW_ORDERS };
	double shape[N][CRANK_SLOTS_MAX], over[N][CRANK_SLOTS_MAX], norm[N];
	for (unsigned c = 0; c < N; c++) {
		order_shape(&p->nominal, c, shape[c]);
		double sum = 0;
		norm[c] = 0;
		for (size_t i = 0; i < p->slots; i++) {
			norm[c] += shape[c][i] * shape[c][i];
			sum += shape[c][i] * gsl_vector_get(e, i);
			over[c][i] = 0;
			for (size_t j = 0; j < p->slots; j++)
				over[c][i] += shape[c][j] * gsl_matrix_get(cov, i, j);
		}
		/* The sine of half the number of slots is zero at all of them: no such component. */
		bool none = norm[c] < 1e-6 * (double)p->slots;
		norm[c] = none ? INFINITY : norm[c];
		out->low_rad[c] = sum / norm[c];
	}
	for (unsigned c = 0; c < N; c++) {
		for (unsigned d = 0; d < N; d++) {
			double sum = 0;
			for (size_t i = 0; i < p->slots; i++)
				sum += over[c][i] * shape[d][i];
			out->low_cov_rad2[c][d] = sum / norm[c] / norm[d];
		}
		out->low_sd_rad[c] = sqrt(fmax(out->low_cov_rad2[c][c], 0));
	}
}

/* Each slot against the place from which the angle counts. */
static void against_place(const struct pitch *p, const gsl_matrix *cov, const struct pitch_place *place,
                          struct pitch_result *out)
{
	double shape[CRANK_SLOTS_MAX];
	size_t a = place != NULL ? place->slot : 0, b = (a + 1) % p->slots;
	double wb = place != NULL ? place->part : 0, wa = place != NULL ? 1 - wb : 0;
	double own = wa * wa * gsl_matrix_get(cov, a, a) + 2 * wa * wb * gsl_matrix_get(cov, a, b) +
	             wb * wb * gsl_matrix_get(cov, b, b);
	for (size_t i = 0; i < p->slots; i++) {
		double both = wa * gsl_matrix_get(cov, i, a) + wb * gsl_matrix_get(cov, i, b);
		out->from_place_sd_rad[i] = sqrt(fmax(gsl_matrix_get(cov, i, i) - 2 * both + own, 0));
	}
	for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
		order_shape(&p->nominal, c, shape);
		for (size_t i = 0; i < p->slots; i++)
			out->low_shape[i][c] = shape[i] - wa * shape[a] - wb * shape[b];
	}
}

/* A slot of which few edges were taken is known by them worse than the rest are by theirs,
 * the others and the motion taken as known: by so much its edges may lie elsewhere. */
static void note_strays(const struct pitch *p, struct pitch_result *out)
{
	double var[CRANK_SLOTS_MAX], sorted[CRANK_SLOTS_MAX];
	for (size_t i = 0; i < p->slots; i++)
		var[i] = 1 / (p->normal[i * p->stride + i] + 1 / (PRIOR_SLOT_SD * PRIOR_SLOT_SD));
	memcpy(sorted, var, p->slots * sizeof *sorted);
	double usual = gsl_stats_median(sorted, 1, p->slots);
	for (size_t i = 0; i < p->slots; i++)
		out->stray_rad[i] = sqrt(fmax(var[i] - usual, 0));
}

static void write_result(const struct pitch *p, const gsl_vector *e, const gsl_matrix *cov,
                         const struct pitch_place *place, struct pitch_result *out)
{
	for (size_t i = 0; i < p->slots; i++) {
		out->error_rad[i] = gsl_vector_get(e, i);
		out->sd_rad[i] = sqrt(fmax(gsl_matrix_get(cov, i, i), 0));
	}
	for (size_t i = 0; i < p->torque.columns; i++) {
		out->factor[i] = gsl_vector_get(e, p->slots + i);
		out->factor_sd[i] = sqrt(fmax(gsl_matrix_get(cov, p->slots + i, p->slots + i), 0));
	}
	note_strays(p, out);
	low_orders(p, e, cov, out);
	against_place(p, cov, place, out);
}

static double log_det_half(const gsl_matrix *cholesky)
{
	double sum = 0;
	for (size_t i = 0; i < cholesky->size1; i++)
		sum += log(gsl_matrix_get(cholesky, i, i));
	return sum;
}

/* With the best scale of all noise the likelihood is -n/2 log(square) - ... */
static void judge(const struct pitch *p, const gsl_vector *e, const gsl_matrix *cholesky,
                  struct pitch_result *out)
{
	double explained = 0, n = fmax((double)p->edges - SLOW * (double)p->rows, 1);
	for (size_t i = 0; i < p->size; i++)
		explained += gsl_vector_get(e, i) * p->right[i];
	out->residual = fmax(p->square - explained, 1e-12) / n;
	out->evidence = -0.5 * (n * log(out->residual) + p->log_s) - log_det_half(cholesky);
	for (unsigned i = 0; i < p->torque.columns; i++)
		out->evidence -= log(p->torque.prior_sd[i]);
}

static bool solve(const struct pitch *p, unsigned low_limit, const struct pitch_place *place, gsl_matrix *a,
                  gsl_vector *b, struct pitch_result *out)
{
	for (size_t i = 0; i < p->size; i++) {
		gsl_vector_set(b, i, p->right[i]);
		for (size_t j = 0; j < p->size; j++)
			gsl_matrix_set(a, i, j, p->normal[j <= i ? i * p->stride + j : j * p->stride + i]);
	}
	add_priors(a, p, low_limit);
	if (gsl_linalg_cholesky_decomp1(a) != GSL_SUCCESS || gsl_linalg_cholesky_svx(a, b) != GSL_SUCCESS)
		return false;
	judge(p, b, a, out);
	if (gsl_linalg_cholesky_invert(a) != GSL_SUCCESS)
		return false;
	write_result(p, b, a, place, out);
	return true;
}

int pitch_solve(const struct pitch *p, unsigned low_limit, const struct pitch_place *place,
                struct pitch_result *out, struct fault *fault)
{
	gsl_matrix *a = gsl_matrix_alloc(p->size, p->size);
	gsl_vector *b = gsl_vector_alloc(p->size);
	gsl_error_handler_t *handler = gsl_set_error_handler_off();
	bool ok = a != NULL && b != NULL && solve(p, low_limit, place, a, b, out);
	gsl_set_error_handler(handler);
	gsl_matrix_free(a);
	gsl_vector_free(b);
	return ok ? 0 : fault_set(fault, EX_SOFTWARE, "the tooth angles cannot be solved for");
}
