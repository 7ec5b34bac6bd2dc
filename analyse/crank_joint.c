/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pitch errors and torque learned together; which of them may be believed. */
#include "analyse/crank_learner.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TWO_PI 6.283185307179586477
#define DEG (TWO_PI / 360)
#define SAMPLE_WORK 2e8
#define JOINT_ROUNDS 3          /* the pushes follow from the wheel, a little */
#define SAMPLE_EDGES 2500       /* for choosing the noise ... */
#define SAMPLE_TURNS 40         /* ... and as many turns: in turns it shows how the load wanders ... */
#define SAMPLE_TURNS_WORK 3.5e7 /* ... if that much work will do */
#define HALF_EDGES 1000         /* a half of fewer checks nothing */
#define SPAN_MIN 1.6 /* fastest over slowest: less tells an assumed torque from a wheel error no more */
#define FEW_TEETH 8
#define MOVED_SD 6.0
#define MOVED_LEAST (0.04 * DEG) /* less is not worth a word */
#define STEEPEST 4
#define CHANGE_LEAST 6.25e-5
#define CHANGE_STEP 4.0
#define CHANGE_OF_VALVES 0.25 /* 12 ms at twice a turn and 100 rpm */
#define DRAG_STEPS 8
#define DRAG_LITTLE 0.1             /* of the speed: a column of its own is as good */
#define CHANCE 0.95                 /* what a right model stays below in so many rides */
#define SHIFTS_FREE 0.4             /* of the shifts of cells left out, which share all other cells */
#define SHIFT_LEAST 1e-3            /* of a variance: a cell that adds less tells nothing */
#define LOW_SD_MAX (0.08 * DEG)     /* low orders known worse than this are not believed */
#define LOW_SD_ADMITTED (0.3 * DEG) /* halves of the ride disagree by more: not believed either */

bool learner_fresh_cells(struct crank_learner *l)
{
	for (int i = 0; i < LEARNER_CELLS; i++) {
		pitch_free(l->cell[i]);
		l->cell[i] = pitch_new(&l->nominal, &l->torque);
		if (l->cell[i] == NULL)
			return false;
	}
	return true;
}

/* Which cells: a bit each. */
#define ALL_CELLS ((1u << LEARNER_CELLS) - 1)
#define SLOW_CELLS 0x55u
#define FAST_CELLS 0xaau
#define EARLY_CELLS ((1u << LEARNER_CELLS / 2) - 1)
#define LATE_CELLS (ALL_CELLS & ~EARLY_CELLS)

/* NULL: no memory. */
static struct pitch *join_cells(const struct crank_learner *l, unsigned cells, const double weight[2])
{
	struct pitch *sum = pitch_new(&l->nominal, &l->torque);
	for (unsigned i = 0; sum != NULL && i < LEARNER_CELLS; i++)
		if ((cells >> i & 1) != 0)
			pitch_join(sum, l->cell[i], weight[i % 2]);
	return sum;
}

/* The index on the wheel as it is known: from there angles count. */
static const struct pitch_place *place_of_index(const struct crank_learner *l, struct pitch_place *place)
{
	if (isnan(l->index_rad) || isnan(l->engine.index_rad))
		return NULL;
	const struct wheel *w = &l->wheel;
	double in = l->index_rad - TWO_PI * floor((l->index_rad - w->angle_rad[0]) / TWO_PI);
	unsigned i = 0;
	while (i + 1 < w->slots && w->angle_rad[i + 1] <= in)
		i++;
	double next = i + 1 < w->slots ? w->angle_rad[i + 1] : w->angle_rad[0] + TWO_PI;
	*place = (struct pitch_place){i, (in - w->angle_rad[i]) / (next - w->angle_rad[i])};
	return place;
}

/* False: too little to solve. */
static bool solve_cells(const struct crank_learner *l, unsigned cells, const double weight[2],
                        unsigned low_limit, uint64_t edges_least, struct pitch_result *out)
{
	struct pitch_place place;
	struct fault ignored;
	struct pitch *sum = join_cells(l, cells, weight);
	bool ok = sum != NULL && pitch_edges(sum) >= edges_least &&
	          pitch_solve(sum, low_limit, place_of_index(l, &place), out, &ignored) == 0;
	pitch_free(sum);
	return ok;
}

static const double as_they_are[2] = {1, 1};

/* One over how much larger than supposed the innovations of the slower and of the faster
 * blocks are. */
static void weigh_speeds(const struct crank_learner *l, double weight[2])
{
	struct pitch_result r;
	for (int i = 0; i < 2; i++) {
		uint64_t enough = 4 * (l->wheel.slots + l->torque.columns) + 1;
		bool ok = solve_cells(l, i == 0 ? SLOW_CELLS : FAST_CELLS, as_they_are, 0, enough, &r);
		weight[i] = ok ? 1 / r.residual : 1;
	}
}

/* A tooth bent, a sprocket slipped or worn on its way: the halves by time differ. */
void learner_compare_times(struct crank_learner *l)
{
	struct pitch_result half[2];
	if (!solve_cells(l, EARLY_CELLS, as_they_are, LEARNER_HIGH_ORDERS, HALF_EDGES, &half[0]) ||
	    !solve_cells(l, LATE_CELLS, as_they_are, LEARNER_HIGH_ORDERS, HALF_EDGES, &half[1]))
		return;
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		double apart = half[1].error_rad[i] - half[0].error_rad[i];
		double var = half[0].residual * half[0].sd_rad[i] * half[0].sd_rad[i] +
		             half[1].residual * half[1].sd_rad[i] * half[1].sd_rad[i];
		if (apart * apart > MOVED_SD * MOVED_SD * var && fabs(apart) > MOVED_LEAST)
			l->moved_rad[i] = apart;
	}
}

/* All cells together; NULL: no memory. */
static struct pitch *whole_of(const struct crank_learner *l)
{
	double weight[2];
	weigh_speeds(l, weight);
	return join_cells(l, ALL_CELLS, weight);
}

int learner_solve(struct crank_learner *l, unsigned low_limit, struct fault *fault)
{
	struct pitch_place place;
	struct pitch *whole = whole_of(l);
	if (whole == NULL)
		return learner_out_of_memory(fault);
	int bad = pitch_solve(whole, low_limit, place_of_index(l, &place), &l->result, fault);
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

/* How much of an assumed torque changes with the speed.  The likeliest is a matter of
 * chance, up and down by a power of ten, where the ride hardly tells: the mean is taken, in
 * steps of the grid, over what it leaves likely.  Where valves make the torque it does
 * change, since they answer late: a ride that seems to say otherwise has taken the change
 * for something else. */
static bool choose_change(struct crank_learner *l)
{
	struct pitch *whole = whole_of(l);
	struct pitch_result r;
	struct fault ignored;
	double from = has_valves(&l->engine) ? CHANGE_OF_VALVES : CHANGE_LEAST;
	double best = -INFINITY, sum = 0, step_sum = 0;
	for (unsigned step = 0; whole != NULL && from * pow(CHANGE_STEP, step) < 1; step++) {
		torque_may_change(&l->torque, from * pow(CHANGE_STEP, step));
		pitch_expect(whole, &l->torque);
		if (pitch_solve(whole, 0, NULL, &r, &ignored) != 0)
			continue;
		double shrink = r.evidence > best ? exp(best - r.evidence) : 1;
		best = fmax(best, r.evidence);
		double weight = exp(r.evidence - best);
		sum = sum * shrink + weight;
		step_sum = step_sum * shrink + weight * step;
	}
	torque_may_change(&l->torque, from * pow(CHANGE_STEP, sum > 0 ? step_sum / sum : 0));
	for (unsigned i = 0; i < LEARNER_CELLS; i++)
		pitch_expect(l->cell[i], &l->torque);
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
		l->wheel.angle_sd_rad[i] = l->result.from_place_sd_rad[i] * scale;
		l->wheel.stray_rad[i] = l->result.stray_rad[i] * scale;
	}
	if (!isnan(l->index_rad))
		l->index_rad = moved_with_wheel(&l->wheel, was, l->index_rad);
	if (!isnan(l->index_opens_rad))
		l->index_opens_rad = moved_with_wheel(&l->wheel, was, l->index_opens_rad);
}

#define LOWS (2 * PITCH_LOW_ORDERS)

/* The slower and the faster half of the ride, each by itself, should find the same low
 * orders: mean square of their differences over what the two claim; 1 when they cannot
 * be compared. */
static double compare_speeds(const struct crank_learner *l)
{
	struct pitch_result half[2];
	double sum = 0;
	if (!solve_cells(l, SLOW_CELLS, as_they_are, 0, HALF_EDGES, &half[0]) ||
	    !solve_cells(l, FAST_CELLS, as_they_are, 0, HALF_EDGES, &half[1]))
		return 1;
	for (unsigned c = 0; c < LOWS; c++) {
		double apart = half[0].low_rad[c] - half[1].low_rad[c];
		double var = half[0].residual * half[0].low_sd_rad[c] * half[0].low_sd_rad[c] +
		             half[1].residual * half[1].low_sd_rad[c] * half[1].low_sd_rad[c];
		sum += var > 0 ? apart * apart / var : 0;
	}
	return sum / LOWS;
}

struct shifts { /* of the low orders when a cell is left out, squared, over what they may be */
	double sum[PITCH_LOW_ORDERS], n[PITCH_LOW_ORDERS];
	double worst_sd_rad; /* of a low order without one cell */
};

/* What one cell adds makes the claim smaller: by as much, squared, the result may move when
 * it is left out. */
static void add_shift(const struct crank_learner *l, const struct pitch_result *r, struct shifts *s)
{
	for (unsigned c = 0; c < LOWS; c++) {
		double moved = r->low_rad[c] - l->result.low_rad[c];
		double may = r->low_cov_rad2[c][c] - l->result.low_cov_rad2[c][c];
		if (c / 2 < l->wheel.teeth / 2)
			s->worst_sd_rad = fmax(s->worst_sd_rad, r->low_sd_rad[c]);
		if (may < SHIFT_LEAST * l->result.low_cov_rad2[c][c])
			continue;
		s->sum[c / 2] += moved * moved / may;
		s->n[c / 2] += 1;
	}
}

/* What a sum of `n` squares makes of the variance: nothing where a right model does as
 * much by chance.  `part` of them are independent of one another. */
static double grown_by(double sum, double n, double part)
{
	double independent = part * n;
	return n > 0 && sum / n > gsl_cdf_chisq_Pinv(CHANCE, independent) / independent ? sum / n : 1;
}

/* The claim of each order grows by what that order's shifts say, by what all of them say
 * together, or by what the halves by speed say, whichever is most. */
static void grow_low_orders(struct crank_learner *l, const struct shifts *s, double speeds)
{
	double sum = 0, n = 0;
	for (unsigned h = 0; h < PITCH_LOW_ORDERS; h++) {
		sum += s->sum[h];
		n += s->n[h];
	}
	double all = fmax(grown_by(sum, n, SHIFTS_FREE), grown_by(LOWS * speeds, LOWS, 1));
	for (unsigned h = 0; h < PITCH_LOW_ORDERS; h++)
		l->low_grown[h] = sqrt(fmax(all, grown_by(s->sum[h], s->n[h], SHIFTS_FREE)));
}

/* Each cell of the ride left out in turn.  Where the result moves by more than it may the
 * claim grows in proportion: some push goes with the crank that is not among the known
 * ones, for a while or at some speeds.  Where one cell alone tells the low orders nothing
 * can say whether it is right.  False then. */
static bool compare_cells(struct crank_learner *l)
{
	struct shifts s = {{0}, {0}, 0};
	double weight[2], speeds = compare_speeds(l);
	weigh_speeds(l, weight);
	for (unsigned i = 0; i < LEARNER_CELLS; i++) {
		struct pitch_result r;
		if (pitch_edges(l->cell[i]) > 0 &&
		    solve_cells(l, ALL_CELLS & ~(1u << i), weight, 0, HALF_EDGES, &r))
			add_shift(l, &r, &s);
	}
	grow_low_orders(l, &s, speeds);
	return s.worst_sd_rad < LOW_SD_ADMITTED;
}

/* Covariance of the low orders as the comparison leaves it. */
static double grown_cov(const struct crank_learner *l, unsigned c, unsigned d)
{
	return l->result.low_cov_rad2[c][d] * l->low_grown[c / 2] * l->low_grown[d / 2];
}

/* What the comparison adds to the scatter of the slots. */
static void widen_slots(struct crank_learner *l)
{
	for (unsigned i = 0; i < l->wheel.slots; i++) {
		const double *shape = l->result.low_shape[i];
		double var = l->wheel.angle_sd_rad[i] * l->wheel.angle_sd_rad[i];
		for (unsigned c = 0; c < LOWS; c++)
			for (unsigned d = 0; d < LOWS; d++)
				var +=
				    shape[c] * shape[d] * (grown_cov(l, c, d) - l->result.low_cov_rad2[c][d]);
		l->wheel.angle_sd_rad[i] = sqrt(fmax(var, 0));
	}
	for (unsigned c = 0; c < LOWS; c++)
		l->result.low_sd_rad[c] = sqrt(grown_cov(l, c, c));
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
	for (unsigned h = 0; h < PITCH_LOW_ORDERS; h++)
		l->low_grown[h] = 1;
	if (known && l->compare)
		known = compare_cells(l);
	for (unsigned c = 0; c < LOWS; c++)
		known = known && (c / 2 >= l->wheel.teeth / 2 || sqrt(grown_cov(l, c, c)) < LOW_SD_ADMITTED);
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
	if (pitch_edges(s->pitch) < 200 || pitch_solve(s->pitch, 0, NULL, &r, &ignored) != 0 ||
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
		try_noise(l, s,
		          &(struct smooth_noise){.edge_sd_rad = edge_sd,
		                                 .drift_rad2_s4 = pow(10, lg) * unit,
		                                 .pivot_rad_s = l->split_rad_s});
}

/* The sample's pushes, and an empty pitch for them, with the drag as it is now. */
static bool push_sample(struct crank_learner *l, const struct leg *leg, struct sample *s)
{
	pitch_free(s->pitch);
	s->pitch = pitch_new(&l->nominal, &l->torque);
	bool ok = s->pitch != NULL;
	for (size_t i = 0; ok && i < s->blocks->n; i += s->stride)
		ok = learner_push_block(l, l->work, leg, &s->blocks->block[i]);
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
	size_t turns = learner_edges_within(&l->wheel, SAMPLE_TURNS * l->wheel.slots, SAMPLE_TURNS_WORK);
	size_t edges = learner_edges_within(&l->wheel, SAMPLE_EDGES, SAMPLE_WORK);
	edges = turns > edges ? turns : edges;
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
		if (!learner_fresh_cells(l))
			return learner_out_of_memory(fault);
		for (unsigned i = 0; i < LEARNER_CELLS; i++)
			pitch_guess(l->cell[i], &l->free);
		if (!learner_take_blocks(l, leg, &l->joint, b))
			return learner_out_of_memory(fault);
		if (l->torque.kind == TORQUE_ASSUMED && !choose_change(l))
			return learner_out_of_memory(fault);
		l->compare = round + 1 == JOINT_ROUNDS;
		if (learner_settle(l, fault) != 0)
			return -1;
		if (round + 1 < JOINT_ROUNDS)
			l->torque.drag_per_s = fmax(l->torque.drag_per_s + l->free.factor[0], 0);
	}
	return 0;
}
