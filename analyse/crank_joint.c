/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pitch errors and torque learned together; which of them may be believed. */
#include "analyse/crank_learner.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define SAMPLE_WORK 2e8
#define JOINT_ROUNDS 3    /* the pushes follow from the wheel, a little */
#define SAMPLE_EDGES 2500 /* for choosing the noise */
#define HALF_EDGES 1000   /* a half of fewer checks nothing */
#define SPAN_MIN 1.6      /* fastest over slowest: less tells an assumed torque from a wheel error no more */
#define FEW_TEETH 8
#define MOVED_SD 6.0
#define MOVED_LEAST (0.04 * DEG) /* less is not worth a word */
#define STEEPEST 4
#define CHANGE_LEAST 1e-3
#define CHANGE_STEP 4.0
#define CHANGE_OF_VALVES 0.25 /* 12 ms at twice a turn and 100 rpm */
#define DRAG_STEPS 8
#define DRAG_LITTLE 0.1 /* of the speed: a column of its own is as good */
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

/* A tooth bent, a sprocket slipped or worn on its way: the halves by time differ. */
void learner_compare_times(struct crank_learner *l)
{
	struct pitch_result half[2];
	struct fault ignored;
	for (int i = 0; i < 2; i++)
		if (pitch_edges(l->half[i]) < HALF_EDGES ||
		    pitch_solve(l->half[i], LEARNER_HIGH_ORDERS, &half[i], &ignored) != 0)
			return;
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		double apart = half[1].error_rad[i] - half[0].error_rad[i];
		double var = half[0].residual * half[0].sd_rad[i] * half[0].sd_rad[i] +
		             half[1].residual * half[1].sd_rad[i] * half[1].sd_rad[i];
		if (apart * apart > MOVED_SD * MOVED_SD * var && fabs(apart) > MOVED_LEAST)
			l->moved_rad[i] = apart;
	}
}

/* Both halves together; NULL: no memory. */
static struct pitch *whole_of(const struct crank_learner *l)
{
	struct pitch *whole = pitch_new(&l->nominal, &l->torque);
	for (int i = 0; whole != NULL && i < 2; i++)
		pitch_join(whole, l->half[i], 1 / half_residual(l, i));
	return whole;
}

int learner_solve(struct crank_learner *l, unsigned low_limit, struct fault *fault)
{
	struct pitch *whole = whole_of(l);
	if (whole == NULL)
		return learner_out_of_memory(fault);
	int bad = pitch_solve(whole, low_limit, &l->result, fault);
	pitch_free(whole);
	return bad;
}

static bool has_valves(const struct engine *e)
{
	bool any = false;
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		any = any || e->valve[i].present;
	return any;
}

/* How much of an assumed torque changes with the speed: as makes the ride most
 * likely.  Where valves make it, it does change, since they answer late: a ride
 * that seems to say otherwise has taken the change for something else. */
static bool choose_change(struct crank_learner *l)
{
	struct pitch *whole = whole_of(l);
	struct pitch_result r;
	struct fault ignored;
	double best = l->torque.change_part, best_evidence = -INFINITY;
	for (double part = has_valves(&l->engine) ? CHANGE_OF_VALVES : CHANGE_LEAST;
	     whole != NULL && part < 1; part *= CHANGE_STEP) {
		torque_may_change(&l->torque, part);
		pitch_expect(whole, &l->torque);
		if (pitch_solve(whole, 0, &r, &ignored) != 0 || r.evidence < best_evidence)
			continue;
		best_evidence = r.evidence;
		best = part;
	}
	torque_may_change(&l->torque, best);
	pitch_expect(l->half[0], &l->torque);
	pitch_expect(l->half[1], &l->torque);
	pitch_free(whole);
	return whole != NULL;
}

/* The wheel's angle where an angle of the wheel as it was now lies: the index, seen
 * between two slots, stays between them. */
static double moved_with_wheel(const struct wheel *w, const double *was, double rad)
{
	double turn = floor((rad - was[0]) / TWO_PI), in = rad - TWO_PI * turn;
	unsigned i = 0;
	while (i + 1 < w->slots && was[i + 1] <= in)
		i++;
	bool last = i + 1 == w->slots;
	double next = last ? was[0] + TWO_PI : was[i + 1];
	double next_now = last ? w->angle_rad[0] + TWO_PI : w->angle_rad[i + 1];
	double part = (in - was[i]) / (next - was[i]);
	return TWO_PI * turn + w->angle_rad[i] + part * (next_now - w->angle_rad[i]);
}

void learner_take_result(struct crank_learner *l)
{
	double was[CRANK_SLOTS_MAX];
	memcpy(was, l->wheel.angle_rad, sizeof was);
	double scale = sqrt(fmax(l->result.residual, 1));
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		l->wheel.angle_rad[i] = l->nominal.angle_rad[i] + l->result.error_rad[i];
		l->wheel.angle_sd_rad[i] = l->result.sd_rad[i] * scale;
	}
	if (!isnan(l->index_rad))
		l->index_rad = moved_with_wheel(&l->wheel, was, l->index_rad);
	if (!isnan(l->index_opens_rad))
		l->index_opens_rad = moved_with_wheel(&l->wheel, was, l->index_opens_rad);
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
	torque_found(&l->torque, l->free.factor, l->free.factor_sd);
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
	l->joint = *trial;
	l->joint.edge_sd_rad *= sqrt(r.residual);
	l->joint.drift_rad2_s4 *= r.residual;
	l->free = r;
	torque_found(&l->torque, r.factor, r.factor_sd);
}

/* Over a grid of drift to edge noise, in powers of ten. */
static void search_noise(struct crank_learner *l, struct sample *s, double edge_sd, double step)
{
	double unit = edge_sd * edge_sd * pow(l->split_rad_s, 4);
	s->best = -INFINITY;
	for (double lg = -1; lg < 7.01; lg += step)
		try_noise(l, s, &(struct smooth_noise){edge_sd, pow(10, lg) * unit, 0, l->split_rad_s});
}

/* The sample's pushes, and an empty pitch for them, with the drag as it is now. */
static bool push_sample(struct crank_learner *l, const struct leg *leg, struct sample *s)
{
	pitch_free(s->pitch);
	s->pitch = pitch_new(&l->nominal, &l->torque);
	bool ok = s->pitch != NULL;
	for (size_t i = 0; ok && i < s->blocks->n; i += s->stride)
		ok = learner_push_block(l, leg, &s->blocks->block[i]);
	return ok;
}

/* About the noise as found: drift from `low` to `high` times as strong. */
static void near_noise(struct crank_learner *l, struct sample *s, double low, double high)
{
	struct smooth_noise found = l->joint, trial = found;
	for (double factor = low; factor < high; factor *= 10) {
		trial.drift_rad2_s4 = found.drift_rad2_s4 * factor;
		try_noise(l, s, &trial);
	}
}

/* Whatever makes the crank restless may do so by the turn or by the second. */
static void search_steepness(struct crank_learner *l, struct sample *s)
{
	for (int way = -1; way <= 1; way += 2)
		for (double before = -INFINITY; s->best > before && abs(l->joint.steepness) < STEEPEST;) {
			struct smooth_noise trial = l->joint;
			trial.steepness += way;
			before = s->best;
			try_noise(l, s, &trial);
		}
}

/* How fast the load grows with the speed, by Newton's steps: the first column tells
 * what is still missing, truly only when it is little.  A step that does not make the sample more
 * likely is halved. */
static bool search_drag(struct crank_learner *l, const struct leg *leg, struct sample *s)
{
	double step = l->free.factor[0];
	s->best = -INFINITY; /* that step rested on the speed as seen: not to be compared */
	for (unsigned i = 0; i < DRAG_STEPS && fabs(step) > DRAG_LITTLE * l->split_rad_s; i++) {
		double from = l->torque.drag_per_s, before = s->best;
		l->torque.drag_per_s = fmax(from + step, 0);
		if (!push_sample(l, leg, s))
			return false;
		pitch_guess(s->pitch, &l->free);
		near_noise(l, s, 0.03, 40);
		bool better = s->best > before;
		if (!better)
			l->torque.drag_per_s = from;
		step = better ? l->free.factor[0] : step / 2;
	}
	return push_sample(l, leg, s);
}

/* Does an assumed torque follow the supply pressure? */
static bool search_supply(struct crank_learner *l, const struct leg *leg, struct sample *s)
{
	struct torque plain = l->torque;
	struct smooth_noise noise = l->joint;
	double before = s->best;
	if (!torque_follow_supply(&l->torque, leg))
		return true;
	if (!push_sample(l, leg, s))
		return false;
	near_noise(l, s, 0.1, 20);
	if (s->best > before)
		return true;
	l->torque = plain;
	l->joint = noise;
	return push_sample(l, leg, s);
}

/* Noise of the joint model: the one that makes a sample of the ride most
 * likely; looked for twice, since edges taken for the wrong slot are known only
 * by a first result. */
static bool choose_joint_noise(struct crank_learner *l, const struct leg *leg, const struct block_list *b)
{
	size_t edges = learner_edges_within(&l->wheel, SAMPLE_EDGES, SAMPLE_WORK);
	struct sample s = {.blocks = b, .stride = b->n * learner_block_edges(&l->wheel) / edges + 1};
	bool ok = push_sample(l, leg, &s);
	if (ok) {
		search_noise(l, &s, fmax(l->noise.edge_sd_rad, 1e-4), 2);
		ok = l->torque.kind == TORQUE_MEASURED ? search_drag(l, leg, &s) : search_supply(l, leg, &s);
	}
	if (ok) {
		pitch_guess(s.pitch, &l->free);
		search_noise(l, &s, l->joint.edge_sd_rad, 1);
		near_noise(l, &s, 0.3, 4);
		search_steepness(l, &s);
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
	l->torque.pivot_rad_s = l->split_rad_s;
	if (!choose_joint_noise(l, leg, b))
		return learner_out_of_memory(fault);
	for (unsigned round = 0; round < JOINT_ROUNDS; round++) {
		if (!learner_fresh_halves(l))
			return learner_out_of_memory(fault);
		pitch_guess(l->half[0], &l->free);
		pitch_guess(l->half[1], &l->free);
		if (!learner_take_blocks(l, leg, &l->joint, b))
			return learner_out_of_memory(fault);
		if (l->torque.kind == TORQUE_ASSUMED && !choose_change(l))
			return learner_out_of_memory(fault);
		if (learner_settle(l, fault) != 0)
			return -1;
		if (round + 1 < JOINT_ROUNDS)
			l->torque.drag_per_s = fmax(l->torque.drag_per_s + l->free.factor[0], 0);
	}
	return 0;
}
