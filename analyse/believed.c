/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/believed.h"
#include "analyse/teeth.h"

#include <math.h>
#include <stdlib.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define SLIPS_KEPT 4096
#define BURST_US 25000 /* extra edges closer together than this are one burst ... */
#define BURST_EDGES 3  /* ... when there are this many */
#define FAST_PART 1.25 /* of the mean speed so far */
#define SAME_TOOTH_MIN 3
#define SAME_TOOTH_PART 0.3
#define INDEX_REACH_RAD 0.6

struct change { /* of the error of the count */
	double t_us;
	int off; /* edges the controller is ahead */
	bool known;
};

struct believed {
	struct engine engine; /* shallow */
	const struct wheel *wheel;
	const struct crank *crank; /* of the leg last replayed */
	int64_t count;             /* slot the controller believes, when synced */
	bool synced;
	int off;
	bool off_known;
	int64_t index_place; /* slot on the wheel after which the index closes */
	struct slip slip[SLIPS_KEPT];
	size_t kept;
	uint64_t total;
	struct change *change;
	size_t change_n, change_cap;
	uint32_t missed_at[CRANK_SLOTS_MAX];
	uint64_t missed;
	double speed_sum;
	uint64_t speed_n;
};

const char *slip_cause_name(enum slip_cause c)
{
	static const char *const name[SLIP_CAUSE_END] = {
	    "missed tooth",
	    "missed teeth at high speed",
	    "always the same tooth",
	    "extra pulse",
	    "burst (light or electrical noise)",
	    "index early",
	    "index late",
	    "extra index",
	    "index missed",
	    "turned backward",
	};
	return (unsigned)c < SLIP_CAUSE_END ? name[c] : "unknown";
}

/* Slot of the wheel last passed at an angle. */
static int64_t slot_at(const struct wheel *w, double theta_rad)
{
	double turn = floor(theta_rad / TWO_PI), rest = theta_rad - TWO_PI * turn;
	unsigned low = 0, high = w->slots;
	if (rest < w->angle_rad[0])
		return (int64_t)turn * w->slots - 1;
	while (high - low > 1) {
		unsigned middle = (low + high) / 2;
		if (w->angle_rad[middle] <= rest)
			low = middle;
		else
			high = middle;
	}
	return (int64_t)turn * w->slots + low;
}

struct believed *believed_new(const struct engine *e, const struct wheel *w)
{
	struct believed *b = calloc(1, sizeof *b);
	if (b == NULL)
		return NULL;
	b->engine = *e;
	b->wheel = w;
	b->index_place = isnan(e->index_rad) ? 0 : slot_at(w, e->index_rad);
	return b;
}

void believed_free(struct believed *b)
{
	if (b == NULL)
		return;
	free(b->change);
	free(b);
}

const struct slip *believed_slips(const struct believed *b, size_t *kept, uint64_t *total)
{
	*kept = b->kept;
	*total = b->total;
	return b->slip;
}

struct replay { /* one pass over a leg's core */
	struct believed *b;
	const struct leg *leg;
	const struct crank *crank;
	size_t point; /* first point not yet passed */
	size_t hint;
	bool lost; /* no memory for the changes */
};

static void note_change(struct replay *r, double t_us, int off, bool known)
{
	struct believed *b = r->b;
	if (b->change_n == b->change_cap) {
		size_t cap = 2 * b->change_cap + 256;
		struct change *grown = realloc(b->change, cap * sizeof *grown);
		if (grown == NULL) {
			r->lost = true;
			return;
		}
		b->change = grown;
		b->change_cap = cap;
	}
	b->change[b->change_n++] = (struct change){t_us, off, known};
}

static void note_slip(struct believed *b, int64_t t_us, double theta, int off, enum slip_cause cause)
{
	b->total++;
	if (b->kept < SLIPS_KEPT)
		b->slip[b->kept++] = (struct slip){t_us, theta, off, cause};
}

static int centred(const struct believed *b, int64_t off)
{
	int64_t m = (int64_t)b->wheel->slots, r = off % m;
	if (r > m / 2)
		r -= m;
	if (r < -m / 2)
		r += m;
	return (int)r;
}

/* The count is off by `off` from now on. */
static void set_off(struct replay *r, int64_t t_us, double theta, int off, enum slip_cause cause)
{
	struct believed *b = r->b;
	if (b->off_known && b->off == off)
		return;
	if (b->off_known && b->off == 0)
		note_slip(b, t_us, theta, off, cause);
	else if (b->kept > 0 && t_us - b->slip[b->kept - 1].t_us < BURST_US && off != 0 &&
	         b->kept == b->total)
		b->slip[b->kept - 1].edges = off; /* still the same burst */
	b->off = off;
	b->off_known = true;
	note_change(r, (double)t_us, off, true);
}

static enum slip_cause missed_cause(const struct believed *b, const struct crank_point *from)
{
	unsigned place = teeth_place(b->wheel, from->slot + 1);
	uint32_t here = b->missed_at[place];
	if (here >= SAME_TOOTH_MIN && (double)here > SAME_TOOTH_PART * (double)b->missed)
		return SLIP_SAME_TOOTH;
	double mean = b->speed_n > 0 ? b->speed_sum / (double)b->speed_n : INFINITY;
	return from->omega_rad_s > FAST_PART * mean ? SLIP_MISSED_FAST : SLIP_MISSED;
}

static bool is_good(const struct crank_point *p)
{
	return p->flag == CRANK_GOOD || p->flag == CRANK_AT_REST;
}

static bool counts(const struct believed *b, const struct ride_edge *e)
{
	return b->engine.edges == EDGES_BOTH || (e->level != 0) == (b->engine.edges == EDGES_RISING);
}

static enum slip_cause extra_cause(const struct replay *r, size_t edge)
{
	unsigned near = 0;
	int64_t t = r->leg->tooth[edge].t_us;
	size_t p = r->point;
	for (size_t i = edge; i < r->leg->tooth_n && r->leg->tooth[i].t_us - t < BURST_US; i++) {
		while (p < r->crank->n && r->crank->point[p].t_us < r->leg->tooth[i].t_us)
			p++;
		bool real = p < r->crank->n && r->crank->point[p].t_us == r->leg->tooth[i].t_us;
		near += !real && counts(r->b, &r->leg->tooth[i]);
	}
	return near >= BURST_EDGES ? SLIP_BURST : SLIP_EXTRA;
}

/* Teeth the wheel passed without an edge, before point p. */
static void watch_missed(struct believed *b, const struct crank_point *before, const struct crank_point *p)
{
	for (int64_t s = before->slot + 1; s < p->slot && s < before->slot + 4; s++) {
		b->missed_at[teeth_place(b->wheel, s)]++;
		b->missed++;
	}
	b->speed_sum += p->omega_rad_s;
	b->speed_n++;
}

/* Teeth missing between two points where records were lost between the controller
 * and the log: the controller will have counted them. */
static bool lost_on_the_way(const struct replay *r, const struct crank_point *before,
                            const struct crank_point *p)
{
	return p->slot > before->slot + 1 && leg_lost_between(r->leg, before->t_us, p->t_us);
}

static void replay_tooth(struct replay *r, size_t edge)
{
	struct believed *b = r->b;
	const struct ride_edge *e = &r->leg->tooth[edge];
	const struct crank *c = r->crank;
	b->count++;
	while (r->point < c->n && c->point[r->point].t_us < e->t_us)
		r->point++;
	bool real = r->point < c->n && c->point[r->point].t_us == e->t_us;
	const struct crank_point *before = r->point > 0 ? &c->point[r->point - 1] : NULL;
	const struct crank_point *p = real ? &c->point[r->point] : before;
	r->point += real;
	if (p == NULL || !is_good(p)) {
		b->off_known = false;
		return;
	}
	if (!b->synced)
		return;
	if (!real) {
		set_off(r, e->t_us, p->theta_rad, centred(b, b->off_known ? b->off + 1 : b->count - p->slot),
		        extra_cause(r, edge));
		return;
	}
	bool back = before != NULL && before->theta_rad > p->theta_rad;
	if (before != NULL && lost_on_the_way(r, before, p))
		b->count += p->slot - before->slot - 1;
	int off = centred(b, b->count - (p->slot - back));
	if (back) {
		set_off(r, e->t_us, p->theta_rad, off, SLIP_REVERSAL);
		return;
	}
	if (before != NULL && is_good(before)) {
		if (!lost_on_the_way(r, before, p))
			watch_missed(b, before, p);
		set_off(r, e->t_us, p->theta_rad, off, missed_cause(b, before));
		return;
	}
	/* What happened in an unsure stretch is not known in detail. */
	set_off(r, e->t_us, p->theta_rad, off, SLIP_MISSED);
}

static void replay_index(struct replay *r, int64_t t_us)
{
	struct believed *b = r->b;
	struct crank_state at;
	crank_at(r->crank, (double)t_us, &r->hint, &at);
	b->count = b->index_place;
	b->synced = true;
	if (at.flag != CRANK_GOOD) {
		b->off_known = false;
		return;
	}
	int off = centred(b, b->index_place - slot_at(b->wheel, at.theta_rad));
	double late = remainder(at.theta_rad - b->engine.index_rad, TWO_PI);
	enum slip_cause cause = late > 0 ? SLIP_INDEX_LATE : SLIP_INDEX_EARLY;
	if (fabs(late) > INDEX_REACH_RAD)
		cause = SLIP_INDEX_EXTRA;
	set_off(r, t_us, at.theta_rad, off, cause);
}

static size_t first_from(const struct ride_edge *e, size_t n, int64_t t_us)
{
	size_t low = 0;
	while (n > 0) {
		size_t half = n / 2;
		if (e[low + half].t_us < t_us) {
			low += half + 1;
			n -= half + 1;
		} else {
			n = half;
		}
	}
	return low;
}

int believed_replay(struct believed *b, const struct leg *leg, const struct crank *crank, struct fault *fault)
{
	struct replay r = {.b = b, .leg = leg, .crank = crank};
	b->crank = crank;
	b->change_n = 0;
	if (!leg->continues)
		b->synced = b->off_known = false;
	note_change(&r, (double)leg->core_from_us, b->off, b->synced && b->off_known);
	if (!b->wheel->aligned)
		return 0;
	size_t i = first_from(leg->tooth, leg->tooth_n, leg->core_from_us);
	size_t j = first_from(leg->index, leg->index_n, leg->core_from_us);
	size_t tooth_end = first_from(leg->tooth, leg->tooth_n, leg->core_to_us);
	size_t index_end = first_from(leg->index, leg->index_n, leg->core_to_us);
	while (i < tooth_end || j < index_end) {
		bool tooth = i < tooth_end && (j >= index_end || leg->tooth[i].t_us <= leg->index[j].t_us);
		bool known = b->off_known;
		int64_t t = tooth ? leg->tooth[i].t_us : leg->index[j].t_us;
		if (tooth && counts(b, &leg->tooth[i]))
			replay_tooth(&r, i);
		else if (!tooth && leg->index[j].level != 0)
			replay_index(&r, t);
		if (known && !b->off_known)
			note_change(&r, (double)t, 0, false);
		i += tooth;
		j += !tooth;
	}
	return r.lost ? fault_set(fault, EX_OSERR, "out of memory for the controller's count") : 0;
}

double believed_rad_at(const struct believed *b, double t_us)
{
	size_t low = 0, high = b->change_n;
	if (high == 0 || t_us < b->change[0].t_us)
		return NAN;
	while (high - low > 1) {
		size_t middle = (low + high) / 2;
		if (b->change[middle].t_us <= t_us)
			low = middle;
		else
			high = middle;
	}
	if (!b->change[low].known)
		return NAN;
	struct crank_state at;
	crank_at(b->crank, t_us, NULL, &at);
	int64_t slot = slot_at(b->wheel, at.theta_rad);
	double ahead = teeth_angle_rad(b->wheel, slot + b->change[low].off) - teeth_angle_rad(b->wheel, slot);
	double believed = at.theta_rad + ahead;
	return believed - TWO_PI * floor(believed / TWO_PI);
}
