/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/centre.h"
#include "analyse/pitch.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit.h>
#include <gsl/gsl_roots.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define REACH (45 * DEG)     /* a peak is the highest so far to either side ... */
#define FALL 0.75            /* ... and the pressure falls to this part of it there */
#define FIT_REACH (26 * DEG) /* the quartic holds so far */
#define FIT_LEAST 12         /* samples */
#define QUIET_US 300000      /* no valve is switched so shortly before: the chamber is sealed */
#define SPEED_SPREAD 0.1     /* relative; less says nothing about the way to rest */
#define LAG_LIKELY_S                                                                                         \
	3e-3 /* of a gauge; heat and lag pull apart, so that more of each may be there than shows */
#define NOT_CANCELLED 0.02 /* part of half apart: leak and wall are not quite alike both ways */
#define FIRST_STEP_US 50000

struct swing { /* samples of one end while the crank turns one way */
	double *theta, *log_p, *t_us;
	size_t n, cap;
	int sense;
};

struct centre {
	struct engine engine; /* shallow */
	struct mech mech;
	struct swing swing;
	struct centre_pass *pass;
	size_t pass_n, pass_cap;
	struct centre_stops *pair;
	size_t pair_n, pair_cap;
	double mark_rad, mark_sd;
	bool mark_open, mark_known;
	int first_way;
};

struct centre *centre_new(const struct engine *e)
{
	struct centre *c = calloc(1, sizeof *c);
	if (c == NULL)
		return NULL;
	c->engine = *e;
	c->mech = mech_of(e);
	return c;
}

void centre_free(struct centre *c)
{
	if (c == NULL)
		return;
	free(c->swing.theta);
	free(c->swing.log_p);
	free(c->swing.t_us);
	free(c->pass);
	free(c->pair);
	free(c);
}

const struct centre_pass *centre_passes(const struct centre *c, size_t *n)
{
	*n = c->pass_n;
	return c->pass;
}

const struct centre_stops *centre_pairs(const struct centre *c, size_t *n)
{
	*n = c->pair_n;
	return c->pair;
}

static bool grow(void **array, size_t want, size_t size)
{
	void *grown = realloc(*array, want * size);
	if (grown != NULL)
		*array = grown;
	return grown != NULL;
}

/* --- peaks --------------------------------------------------------------- */

struct peak {
	size_t from, at, to; /* samples within REACH either side */
	double low_pa;
};

/* Is sample i the highest within REACH, with the pressure fallen at both ends? */
static bool is_peak(const struct swing *s, size_t i, struct peak *p)
{
	size_t from = i, to = i;
	double top = s->log_p[i], low = top;
	while (from > 0 && fabs(s->theta[i] - s->theta[from]) < REACH)
		if (s->log_p[--from] > top)
			return false;
	while (to + 1 < s->n && fabs(s->theta[to] - s->theta[i]) < REACH)
		if (s->log_p[++to] >= top)
			return false;
	bool whole = fabs(s->theta[i] - s->theta[from]) >= REACH && fabs(s->theta[to] - s->theta[i]) >= REACH;
	for (size_t j = from; j <= to; j++)
		low = fmin(low, s->log_p[j]);
	*p = (struct peak){from, i, to, exp(low)};
	return whole && fmax(s->log_p[from], s->log_p[to]) < top + log(FALL);
}

/* Fits y = c0 + ... + c4 x^4. */
static bool fit_quartic(const double *x, const double *y, size_t n, double c[5])
{
	gsl_matrix *a = gsl_matrix_alloc(n, 5), *cov = gsl_matrix_alloc(5, 5);
	gsl_vector *b = gsl_vector_alloc(n), *k = gsl_vector_alloc(5);
	gsl_multifit_linear_workspace *w = gsl_multifit_linear_alloc(n, 5);
	double chi2;
	for (size_t i = 0; i < n; i++) {
		double power = 1;
		for (size_t j = 0; j < 5; j++, power *= x[i])
			gsl_matrix_set(a, i, j, power);
		gsl_vector_set(b, i, y[i]);
	}
	bool ok = gsl_multifit_linear(a, b, k, cov, &chi2, w) == GSL_SUCCESS;
	for (size_t j = 0; j < 5; j++)
		c[j] = gsl_vector_get(k, j);
	gsl_matrix_free(a);
	gsl_matrix_free(cov);
	gsl_vector_free(b);
	gsl_vector_free(k);
	gsl_multifit_linear_free(w);
	return ok;
}

/* Where the quartic's derivative is zero, near x = 0; NAN when it has no peak there. */
static double quartic_peak(const double c[5])
{
	double x = 0;
	for (int i = 0; i < 20; i++) {
		double slope = c[1] + x * (2 * c[2] + x * (3 * c[3] + 4 * x * c[4]));
		double bend = 2 * c[2] + x * (6 * c[3] + 12 * x * c[4]);
		if (bend >= 0)
			return NAN;
		x -= slope / bend;
	}
	return fabs(x) < 0.6 ? x : NAN;
}

/* The peak's angle by the samples within FIT_REACH. */
static double fit_peak(const struct swing *s, const struct peak *p)
{
	double *x = malloc((p->to - p->from + 1) * 2 * sizeof *x), c[5], at = NAN;
	if (x == NULL)
		return NAN;
	double *y = x + (p->to - p->from + 1);
	size_t n = 0;
	for (size_t i = p->from; i <= p->to; i++) {
		double off = (s->theta[i] - s->theta[p->at]) / FIT_REACH;
		if (fabs(off) > 1)
			continue;
		x[n] = off;
		y[n++] = s->log_p[i] - s->log_p[p->at];
	}
	if (n >= FIT_LEAST && fit_quartic(x, y, n, c))
		at = s->theta[p->at] + FIT_REACH * quartic_peak(c);
	free(x);
	return at;
}

static bool add_pass(struct centre *c, enum engine_end end, const struct peak *p, double theta)
{
	const struct swing *s = &c->swing;
	if (c->pass_n == c->pass_cap) {
		size_t cap = 2 * c->pass_cap + 64;
		if (!grow((void **)&c->pass, cap, sizeof *c->pass))
			return false;
		c->pass_cap = cap;
	}
	double turned = fabs(s->theta[p->to] - s->theta[p->from]);
	double dt = 1e-6 * (s->t_us[p->to] - s->t_us[p->from]);
	c->pass[c->pass_n++] =
	    (struct centre_pass){.end = end,
	                         .sense = s->sense,
	                         .t_us = s->t_us[p->at],
	                         .off_rad = remainder(theta - mech_dead_centre_rad(&c->mech, end), TWO_PI),
	                         .omega_rad_s = turned / dt,
	                         .peak_pa = exp(s->log_p[p->at]),
	                         .low_pa = p->low_pa};
	return true;
}

/* The peaks of a swing; empties it. */
static bool end_swing(struct centre *c, enum engine_end end)
{
	struct swing *s = &c->swing;
	bool ok = true;
	for (size_t i = 1; i + 1 < s->n && ok; i++) {
		struct peak p;
		if (s->log_p[i] < s->log_p[i - 1] || s->log_p[i] < s->log_p[i + 1] || !is_peak(s, i, &p))
			continue;
		double theta = fit_peak(s, &p);
		if (!isnan(theta))
			ok = add_pass(c, end, &p, theta);
	}
	s->n = 0;
	return ok;
}

static bool extend_swing(struct swing *s, double theta, double p_pa, double t_us)
{
	if (s->n == s->cap) {
		size_t cap = 2 * s->cap + 4096;
		if (!grow((void **)&s->theta, cap, sizeof *s->theta) ||
		    !grow((void **)&s->log_p, cap, sizeof *s->log_p) ||
		    !grow((void **)&s->t_us, cap, sizeof *s->t_us))
			return false;
		s->cap = cap;
	}
	s->theta[s->n] = theta;
	s->log_p[s->n] = log(p_pa);
	s->t_us[s->n++] = t_us;
	return true;
}

/* Was a valve switched within QUIET_US before t?  *at moves on with rising t. */
static bool disturbed(const struct leg *leg, int64_t t_us, size_t *at)
{
	while (*at < leg->command_n && leg->command[*at].t_us <= t_us)
		++*at;
	return *at > 0 && t_us - leg->command[*at - 1].t_us < QUIET_US;
}

static bool add_end(struct centre *c, enum engine_end end, int channel, const struct leg *leg,
                    const struct crank *crank)
{
	const struct ride_series *s = &leg->sensor[channel];
	size_t hint = 0, command = 0;
	bool ok = true;
	c->swing.n = 0;
	for (size_t i = 0; i < s->n && ok; i++) {
		if (s->t_us[i] < leg->core_from_us || s->t_us[i] >= leg->core_to_us)
			continue;
		struct crank_state at;
		crank_at(crank, (double)s->t_us[i], &hint, &at);
		int sense = at.omega_rad_s > 0 ? 1 : -1;
		bool use = (at.flag == CRANK_GOOD || at.flag == CRANK_NOT_ALIGNED) && s->value[i] > 0 &&
		           !disturbed(leg, s->t_us[i], &command);
		if (!use || sense != c->swing.sense)
			ok = end_swing(c, end);
		c->swing.sense = sense;
		if (use && ok)
			ok = extend_swing(&c->swing, at.theta_rad, (double)s->value[i], (double)s->t_us[i]);
	}
	return ok && end_swing(c, end);
}

/* --- stops --------------------------------------------------------------- */

/* The crank stands at a mark: half way between the edges on either side, as
 * likely anywhere between them. */
static void read_mark(const struct crank *crank, double t_us, double *rad, double *sd, bool *known)
{
	struct crank_state at;
	crank_at(crank, t_us, NULL, &at);
	double slot = TWO_PI / crank->wheel->slots;
	*rad = at.theta_rad;
	*sd = hypot(at.sd_rad, slot / sqrt(12));
	*known = at.flag == CRANK_GOOD || at.flag == CRANK_AT_REST || at.flag == CRANK_NOT_ALIGNED;
}

static bool add_mark(struct centre *c, const struct crank *crank, double t_us)
{
	double rad, sd;
	bool known;
	read_mark(crank, t_us, &rad, &sd, &known);
	if (!c->mark_open) {
		c->mark_rad = rad;
		c->mark_sd = sd;
		c->mark_known = known;
		c->mark_open = true;
		return true;
	}
	c->mark_open = false;
	if (c->pair_n == c->pair_cap) {
		size_t cap = 2 * c->pair_cap + 16;
		if (!grow((void **)&c->pair, cap, sizeof *c->pair))
			return false;
		c->pair_cap = cap;
	}
	c->pair[c->pair_n++] =
	    (struct centre_stops){c->mark_rad, rad, fmax(sd, c->mark_sd), known && c->mark_known};
	return true;
}

static void note_first_way(struct centre *c, const struct leg *leg, const struct crank *crank)
{
	double from = NAN;
	size_t hint = 0;
	for (int64_t t = leg->core_from_us; t < leg->core_to_us && c->first_way == 0; t += FIRST_STEP_US) {
		struct crank_state at;
		crank_at(crank, (double)t, &hint, &at);
		if (at.flag != CRANK_GOOD && at.flag != CRANK_NOT_ALIGNED)
			from = NAN;
		else if (isnan(from))
			from = at.theta_rad;
		else if (fabs(at.theta_rad - from) > TWO_PI / 4)
			c->first_way = at.theta_rad > from ? 1 : -1;
	}
}

int centre_first_way(const struct centre *c)
{
	return c->first_way;
}

int centre_add(struct centre *c, const struct leg *leg, const struct crank *crank, struct fault *fault)
{
	static const enum engine_sensor_role role[END_COUNT] = {SENSOR_CAP, SENSOR_ROD};
	bool ok = true;
	note_first_way(c, leg, crank);
	for (enum engine_end end = END_CAP; end < END_COUNT && ok; end++) {
		int channel = engine_sensor_channel(&c->engine, role[end]);
		if (channel >= 0)
			ok = add_end(c, end, channel, leg, crank);
	}
	for (size_t i = 0; i < leg->note_n && ok; i++)
		if (leg->note[i].kind == RECORD_MARK && leg->note[i].t_us >= leg->core_from_us &&
		    leg->note[i].t_us < leg->core_to_us)
			ok = add_mark(c, crank, (double)leg->note[i].t_us);
	return ok ? 0 : fault_set(fault, EX_OSERR, "out of memory for the pressure peaks");
}

/* --- results ------------------------------------------------------------- */

static double mean_speed(const struct centre *c, enum engine_end end, int sense, unsigned *n)
{
	double sum = 0;
	*n = 0;
	for (size_t i = 0; i < c->pass_n; i++)
		if (c->pass[i].end == end && c->pass[i].sense == sense) {
			sum += c->pass[i].omega_rad_s;
			++*n;
		}
	return *n > 0 ? sum / *n : NAN;
}

static double median_ratio(const struct centre *c, enum engine_end end)
{
	double *ratio = malloc((c->pass_n + 1) * sizeof *ratio), median = NAN;
	size_t n = 0;
	for (size_t i = 0; i < c->pass_n && ratio != NULL; i++)
		if (c->pass[i].end == end)
			ratio[n++] = c->pass[i].peak_pa / c->pass[i].low_pa;
	if (n > 0) {
		gsl_sort(ratio, 1, n);
		median = gsl_stats_median_from_sorted_data(ratio, 1, n);
	}
	free(ratio);
	return median;
}

/* Do the speeds vary so that the slope against speed is not the sense itself? */
static bool speeds_vary(const struct centre *c, enum engine_end end, const struct centre_end_result *r)
{
	double sum2[2] = {0, 0};
	for (size_t i = 0; i < c->pass_n; i++) {
		const struct centre_pass *p = &c->pass[i];
		int k = p->sense < 0;
		if (p->end == end)
			sum2[k] += pow(p->omega_rad_s / r->speed_rad_s[k] - 1, 2);
	}
	return sqrt(sum2[0] / r->forward) > SPEED_SPREAD || sqrt(sum2[1] / r->backward) > SPEED_SPREAD;
}

/* peak = off + sense (half + slope (speed - mean speed)), robustly (bisquare). */
static bool fit_passes(const struct centre *c, enum engine_end end, struct centre_end_result *r)
{
	size_t n = r->forward + r->backward, row = 0, columns = speeds_vary(c, end, r) && n > 6 ? 3 : 2;
	double mean = 0.5 * (r->speed_rad_s[0] + r->speed_rad_s[1]);
	gsl_matrix *a = gsl_matrix_alloc(n, columns), *cov = gsl_matrix_alloc(columns, columns);
	gsl_vector *y = gsl_vector_alloc(n), *k = gsl_vector_alloc(columns);
	gsl_multifit_robust_workspace *w =
	    gsl_multifit_robust_alloc(gsl_multifit_robust_bisquare, n, columns);
	for (size_t i = 0; i < c->pass_n; i++) {
		const struct centre_pass *p = &c->pass[i];
		if (p->end != end)
			continue;
		gsl_matrix_set(a, row, 0, 1);
		gsl_matrix_set(a, row, 1, p->sense);
		if (columns == 3)
			gsl_matrix_set(a, row, 2, p->sense * (p->omega_rad_s - mean));
		gsl_vector_set(y, row++, p->off_rad);
	}
	int status = gsl_multifit_robust(a, y, k, cov, w);
	bool ok = status == GSL_SUCCESS || status == GSL_EMAXITER;
	if (ok) {
		r->off_rad = gsl_vector_get(k, 0);
		r->off_sd_rad = sqrt(gsl_matrix_get(cov, 0, 0));
		r->half_rad = gsl_vector_get(k, 1);
		r->half_at_rest_rad = columns == 3 ? r->half_rad - mean * gsl_vector_get(k, 2) : NAN;
	}
	gsl_matrix_free(a);
	gsl_matrix_free(cov);
	gsl_vector_free(y);
	gsl_vector_free(k);
	gsl_multifit_robust_free(w);
	return ok;
}

/* What is odd in the sense of turning drops out of the middle at equal speed;
 * lag grows with the speed and heat with its inverse, so that of a difference
 * in speed half stays. */
static double model_sd(const struct centre_end_result *r)
{
	double mean = 0.5 * (r->speed_rad_s[0] + r->speed_rad_s[1]);
	double uneven = fabs(r->speed_rad_s[0] - r->speed_rad_s[1]) / mean;
	double odd = fabs(r->half_rad);
	return hypot(NOT_CANCELLED * odd, 0.5 * uneven * (odd + LAG_LIKELY_S * mean));
}

bool centre_solve(const struct centre *c, enum engine_end end, struct centre_end_result *out)
{
	*out = (struct centre_end_result){
	    .off_rad = NAN, .off_sd_rad = NAN, .half_rad = NAN, .half_at_rest_rad = NAN};
	out->speed_rad_s[0] = mean_speed(c, end, 1, &out->forward);
	out->speed_rad_s[1] = mean_speed(c, end, -1, &out->backward);
	out->ratio = median_ratio(c, end);
	if (out->forward < 2 || out->backward < 2)
		return false;
	gsl_error_handler_t *handler = gsl_set_error_handler_off();
	bool ok = fit_passes(c, end, out);
	gsl_set_error_handler(handler);
	out->model_sd_rad = model_sd(out);
	return ok;
}

/* --- from the dead centres to the index ------------------------------------ */

/* Covariance of the wheel's errors at two places. */
static double wheel_covariance(const struct wheel *w, double apart_rad)
{
	double sum = 0, square = 0;
	for (unsigned i = 0; i < w->slots; i++)
		square += w->angle_sd_rad[i] * w->angle_sd_rad[i] / w->slots;
	for (int k = 1; k <= PITCH_LOW_ORDERS; k++)
		sum += cos(k * apart_rad);
	return square * sum / PITCH_LOW_ORDERS;
}

double centre_wheel_sd(const struct wheel *w, double from_rad, double to_rad)
{
	return sqrt(fmax(2 * (wheel_covariance(w, 0) - wheel_covariance(w, to_rad - from_rad)), 0));
}

struct centre_index centre_weigh(const struct mech *m, const struct wheel *w, double index_rad,
                                 const struct centre_end_result end[END_COUNT], const bool has[END_COUNT])
{
	double at[END_COUNT], own[END_COUNT], teeth[END_COUNT], share[END_COUNT] = {0, 0};
	struct centre_index r = {.apart_rad = NAN, .apart_sd_rad = NAN};
	for (enum engine_end e = END_CAP; e < END_COUNT; e++) {
		at[e] = mech_dead_centre_rad(m, e);
		own[e] = has[e] ? pow(end[e].off_sd_rad, 2) + pow(end[e].model_sd_rad, 2) : 0;
		teeth[e] = pow(centre_wheel_sd(w, at[e], index_rad), 2);
	}
	double between = pow(centre_wheel_sd(w, at[END_CAP], at[END_ROD]), 2);
	double common = 0.5 * (teeth[END_CAP] + teeth[END_ROD] - between);
	bool both = has[END_CAP] && has[END_ROD];
	double apart_var = own[END_CAP] + own[END_ROD] + between;
	share[END_CAP] = both && apart_var > 0 ? (own[END_ROD] + teeth[END_ROD] - common) / apart_var
	                                       : (double)has[END_CAP];
	share[END_ROD] = 1 - share[END_CAP];
	double by_wheel = 2 * share[END_CAP] * share[END_ROD] * common, var = 0;
	for (enum engine_end e = END_CAP; e < END_COUNT; e++) {
		r.off_rad += has[e] ? share[e] * end[e].off_rad : 0;
		by_wheel += share[e] * share[e] * teeth[e];
		var += share[e] * share[e] * own[e];
	}
	r.wheel_sd_rad = sqrt(fmax(by_wheel, 0));
	r.sd_rad = hypot(r.wheel_sd_rad, sqrt(var));
	if (both) {
		r.apart_rad = end[END_CAP].off_rad - end[END_ROD].off_rad;
		r.apart_sd_rad = sqrt(apart_var);
		r.sd_rad *= fmax(1, fabs(r.apart_rad) / r.apart_sd_rad);
	}
	return r;
}

/* Turned the other way the switch closes where it was seen to open; and all
 * angles count the other way from the dead centre. */
double centre_mirrored_index(const struct mech *m, const struct wheel *w, double off_rad)
{
	double opens = w->index_opens_rad - off_rad;
	return remainder(2 * mech_dead_centre_rad(m, END_CAP) - opens, TWO_PI);
}

struct equal_travel {
	const struct mech *mech;
	double first, second;
};

static double travel_apart(double off, void *ctx)
{
	const struct equal_travel *e = ctx;
	return mech_travel_m(e->mech, e->first - off) - mech_travel_m(e->mech, e->second - off);
}

/* Off by which the dead centre must lie for both stops to be at the same travel. */
static double middle_of(const struct mech *m, double dead_centre, const struct centre_stops *s)
{
	double middle = remainder(0.5 * (s->first_rad + s->second_rad) - dead_centre, TWO_PI / 2);
	struct equal_travel e = {m, s->first_rad, s->second_rad};
	gsl_function f = {travel_apart, &e};
	gsl_root_fsolver *solver = gsl_root_fsolver_alloc(gsl_root_fsolver_brent);
	double off = middle;
	if (gsl_root_fsolver_set(solver, &f, middle - 0.3, middle + 0.3) == GSL_SUCCESS) {
		for (int i = 0; i < 60; i++)
			gsl_root_fsolver_iterate(solver);
		off = gsl_root_fsolver_root(solver);
	}
	gsl_root_fsolver_free(solver);
	return off;
}

bool centre_solve_stops(const struct centre *c, enum engine_end end, double *off_rad, double *sd_rad,
                        unsigned *pairs)
{
	double sum = 0, sum2 = 0, var = 0, dead_centre = mech_dead_centre_rad(&c->mech, end);
	*pairs = 0;
	gsl_error_handler_t *handler = gsl_set_error_handler_off();
	for (size_t i = 0; i < c->pair_n; i++) {
		if (!c->pair[i].known)
			continue;
		double off = middle_of(&c->mech, dead_centre, &c->pair[i]);
		sum += off;
		sum2 += off * off;
		var += 0.5 * c->pair[i].sd_rad * c->pair[i].sd_rad;
		++*pairs;
	}
	gsl_set_error_handler(handler);
	if (*pairs == 0)
		return false;
	double n = *pairs;
	*off_rad = sum / n;
	/* as the edges allow, or as the pairs scatter, whichever is more */
	double scatter = n > 1 ? fmax(sum2 - sum * sum / n, 0) / (n - 1) / n : 0;
	*sd_rad = sqrt(fmax(var / (n * n), scatter));
	return true;
}
