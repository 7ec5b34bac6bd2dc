/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pitch errors and torque learned together; which of them may be believed. */
#include "analyse/crank_learner.h"

#include <math.h>
#include <stdlib.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define SAMPLE_WORK 2e8
#define JOINT_ROUNDS 3    /* the pushes follow from the wheel, a little */
#define SAMPLE_EDGES 2500 /* for choosing the noise */
#define HALF_EDGES 1000   /* a half of fewer checks nothing */
#define SPAN_MIN 1.6      /* fastest over slowest: less tells an assumed torque from a wheel error no more */
#define FEW_TEETH 8
#define SHAPE_PART 0.005
#define LOW_SD_MAX (0.08 * DEG)     /* low orders known worse than this are not believed */
#define LOW_SD_ADMITTED (0.3 * DEG) /* halves of the ride disagree by more: not believed either */

bool learner_fresh_halves(struct crank_learner *l)
{
	for (int i = 0; i < 2; i++) {
		pitch_free(l->half[i]);
		l->half[i] = pitch_new(&l->nominal, &l->torque);
		if (l->half[i] == NULL)
			return false;
	}
	return true;
}

/* How much larger than supposed a half's innovations are. */
static double half_residual(const struct crank_learner *l, int i)
{
	struct pitch_result r;
	struct fault ignored;
	bool enough = pitch_edges(l->half[i]) > 4 * (l->wheel.slots + l->torque.columns);
	return enough && pitch_solve(l->half[i], 0, &r, &ignored) == 0 ? r.residual : 1;
}

int learner_solve(struct crank_learner *l, unsigned low_limit, struct fault *fault)
{
	struct pitch *whole = pitch_new(&l->nominal, &l->torque);
	if (whole == NULL)
		return learner_out_of_memory(fault);
	for (int i = 0; i < 2; i++)
		pitch_join(whole, l->half[i], 1 / half_residual(l, i));
	int bad = pitch_solve(whole, low_limit, &l->result, fault);
	pitch_free(whole);
	return bad;
}

void learner_take_result(struct crank_learner *l)
{
	double scale = sqrt(fmax(l->result.residual, 1));
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		l->wheel.angle_rad[i] = l->nominal.angle_rad[i] + l->result.error_rad[i];
		l->wheel.angle_sd_rad[i] = l->result.sd_rad[i] * scale;
	}
}

/* The halves of the ride, each by itself, should find the same low orders.
 * Where they differ by more than they claim, all claims grow in proportion, and
 * an order that stands out is known no better than they differ. */
static void compare_halves(struct crank_learner *l)
{
	struct pitch_result half[2];
	struct fault ignored;
	for (int i = 0; i < 2; i++)
		if (pitch_edges(l->half[i]) < HALF_EDGES ||
		    pitch_solve(l->half[i], 0, &half[i], &ignored) != 0)
			return;
	double sum = 0, z2[2 * PITCH_LOW_ORDERS];
	for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
		double apart = half[0].low_rad[c] - half[1].low_rad[c];
		double var = half[0].residual * half[0].low_sd_rad[c] * half[0].low_sd_rad[c] +
		             half[1].residual * half[1].low_sd_rad[c] * half[1].low_sd_rad[c];
		z2[c] = var > 0 ? apart * apart / var : 0;
		sum += z2[c] / (2 * PITCH_LOW_ORDERS);
	}
	double grow = sqrt(fmax(sum, 1));
	for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
		double apart = fabs(half[0].low_rad[c] - half[1].low_rad[c]);
		l->result.low_sd_rad[c] *= grow;
		if (z2[c] > 9)
			l->result.low_sd_rad[c] = fmax(l->result.low_sd_rad[c], apart / 2);
	}
}

/* An assumed torque is never quite the true one: allow for a small part of the
 * unevenness that it takes out at the mean speed. */
static void allow_for_shape(struct crank_learner *l)
{
	double w2 = l->split_rad_s * l->split_rad_s;
	for (unsigned h = 1; l->torque.kind == TORQUE_ASSUMED && h <= PITCH_LOW_ORDERS; h++) {
		double ripple = torque_assumed_order(&l->torque, l->free.factor, h) / (h * h * w2);
		for (unsigned c = 2 * h - 2; c < 2 * h; c++)
			l->result.low_sd_rad[c] = hypot(l->result.low_sd_rad[c], SHAPE_PART * ripple);
	}
}

/* What the check adds to the scatter of the slots. */
static void widen_slots(struct crank_learner *l)
{
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		double var = l->wheel.angle_sd_rad[i] * l->wheel.angle_sd_rad[i];
		for (unsigned c = 0; c < 2 * PITCH_LOW_ORDERS; c++) {
			double angle = (c / 2 + 1) * l->wheel.angle_rad[i];
			double shape = c % 2 == 0 ? cos(angle) : sin(angle);
			double more = l->result.low_sd_rad[c] * l->result.low_sd_rad[c] -
			              l->free.low_sd_rad[c] * l->free.low_sd_rad[c];
			var += shape * shape * fmax(more, 0);
		}
		l->wheel.angle_sd_rad[i] = sqrt(var);
	}
}

static double worst_low_sd(const struct crank_learner *l)
{
	double worst = 0;
	unsigned orders = l->wheel.teeth / 2 < PITCH_LOW_ORDERS ? l->wheel.teeth / 2 : PITCH_LOW_ORDERS;
	for (unsigned c = 0; c < 2 * orders; c++)
		worst = fmax(worst, l->result.low_sd_rad[c]);
	return worst;
}

/* Are the low orders told from torque? Leaves the result to be used. */
int learner_settle(struct crank_learner *l, struct fault *fault)
{
	if (learner_solve(l, 0, fault) != 0)
		return -1;
	l->free = l->result;
	torque_scale(&l->torque, &l->free.factor[0], &l->free.factor_sd[0]);
	bool spanned = l->fast_rad_s > SPAN_MIN * l->slow_rad_s;
	bool known = l->torque.kind == TORQUE_MEASURED || l->torque.kind == TORQUE_EVEN ||
	             (l->torque.kind == TORQUE_ASSUMED && spanned);
	known = known && worst_low_sd(l) < LOW_SD_MAX;
	if (known) {
		compare_halves(l);
		allow_for_shape(l);
	}
	known = known && worst_low_sd(l) < LOW_SD_ADMITTED;
	l->wheel.low_orders_known = known;
	l->wheel.low_order_limit = known ? 0 : LEARNER_HIGH_ORDERS;
	if (!known && learner_solve(l, LEARNER_HIGH_ORDERS, fault) != 0)
		return -1;
	learner_take_result(l);
	if (known)
		widen_slots(l);
	return 0;
}

/* A sample of the ride, to choose the noise by. */
struct sample {
	const struct block_list *blocks;
	size_t stride;
	struct pitch *pitch;
	double best; /* evidence */
};

/* Takes the noise, at its best scale, when it makes the sample more likely. */
static void try_noise(struct crank_learner *l, struct sample *s, const struct smooth_noise *trial)
{
	struct pitch_result r;
	struct fault ignored;
	pitch_clear(s->pitch);
	for (size_t i = 0; i < s->blocks->n; i += s->stride)
		learner_take_block(trial, &s->blocks->block[i], s->pitch);
	if (pitch_edges(s->pitch) < 200 || pitch_solve(s->pitch, 0, &r, &ignored) != 0 ||
	    !(r.evidence > s->best))
		return;
	s->best = r.evidence;
	l->joint =
	    (struct smooth_noise){trial->edge_sd_rad * sqrt(r.residual), trial->drift_rad2_s4 * r.residual};
	l->free = r;
}

/* Over a grid of drift to edge noise, in powers of ten. */
static void search_noise(struct crank_learner *l, struct sample *s, double edge_sd, double step)
{
	double unit = edge_sd * edge_sd * pow(l->split_rad_s, 4);
	s->best = -INFINITY;
	for (double lg = -1; lg < 7.01; lg += step)
		try_noise(l, s, &(struct smooth_noise){edge_sd, pow(10, lg) * unit});
}

/* Noise of the joint model: the one that makes a sample of the ride most
 * likely; looked for twice, since edges taken for the wrong slot are known only
 * by a first result. */
static bool choose_joint_noise(struct crank_learner *l, const struct leg *leg, const struct block_list *b)
{
	size_t edges = learner_edges_within(&l->wheel, SAMPLE_EDGES, SAMPLE_WORK);
	struct sample s = {.blocks = b, .stride = b->n * learner_block_edges(&l->wheel) / edges + 1};
	s.pitch = pitch_new(&l->nominal, &l->torque);
	bool ok = s.pitch != NULL;
	for (size_t i = 0; ok && i < b->n; i += s.stride)
		ok = learner_push_block(l, leg, &b->block[i]);
	if (ok) {
		search_noise(l, &s, fmax(l->noise.edge_sd_rad, 1e-4), 2);
		pitch_guess(s.pitch, &l->free);
		search_noise(l, &s, l->joint.edge_sd_rad, 1);
		struct smooth_noise found = l->joint;
		for (double factor = 0.3; factor < 4; factor *= 10)
			try_noise(l, &s,
			          &(struct smooth_noise){found.edge_sd_rad, found.drift_rad2_s4 * factor});
	}
	pitch_free(s.pitch);
	return ok;
}

/* A wheel of few teeth has only low orders.  Where no valve is switched, nothing
 * drives it in step with the crank, and its spacing shows. */
static struct torque choose_torque(const struct crank_learner *l, const struct leg *leg)
{
	struct torque t = torque_of(&l->engine, !isnan(l->index_rad) && !isnan(l->engine.index_rad));
	bool free_wheel = l->wheel.teeth <= FEW_TEETH && leg->command_n == 0;
	return t.kind != TORQUE_MEASURED && free_wheel ? torque_even() : t;
}

/* With the pushes known or assumed: all orders together. */
int learner_joint(struct crank_learner *l, const struct leg *leg, const struct block_list *b,
                  struct fault *fault)
{
	l->torque = choose_torque(l, leg);
	if (!choose_joint_noise(l, leg, b))
		return learner_out_of_memory(fault);
	for (unsigned round = 0; round < JOINT_ROUNDS; round++) {
		if (!learner_fresh_halves(l))
			return learner_out_of_memory(fault);
		pitch_guess(l->half[0], &l->free);
		pitch_guess(l->half[1], &l->free);
		if (!learner_take_blocks(l, leg, &l->joint, b))
			return learner_out_of_memory(fault);
		if (learner_settle(l, fault) != 0)
			return -1;
	}
	return 0;
}
