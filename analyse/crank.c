/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pass 2: the angle, leg by leg. */
#include "analyse/crank_string.h"
#include "analyse/torque.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define TWO_PI 6.283185307179586477
#define CARRY 256     /* points about the end of a core by which the next leg knows its count */
#define GAP_TEETH 4   /* more teeth than this missing in a row is a drop-out */
#define REST_PART 0.4 /* a crank that was slower than this part of its mean speed had stopped */
#define REST_S 0.3
#define DOUBT_POINTS 4
#define END_STEPS 4
#define END_SLOW 0.25
#define END_SLOW_SINGLE 0.35 /* the first step from rest at an even push, against a quarter turn on */
#define END_DOUBT 0.5        /* steps slower than that part may have been passed the other way */
#define BACK_PART 0.6       /* of its mean speed: a crank that was faster next to a hole did not turn in it */
#define WENT_ON_PART 0.5    /* of the slower end: a crank that went on over a hole kept this at least */
#define TURN_PART 0.75      /* next to where it turns back, of the speed a quarter turn off */
#define TURN_US 2000000     /* longest that a crank stands while it turns back */
#define INDEX_REACH_RAD 0.6 /* an index event farther from its place is an extra one */

struct run_place {     /* of one run */
	int64_t shift; /* added to its slots */
	bool sure;
	bool way_unknown; /* placed, if it was passed forward; it may have been passed backward */
	bool stood;       /* the crank stood before it, and no more than a tooth passed */
};

struct crank_solver {
	const struct wheel *wheel;
	struct engine engine; /* shallow */
	struct smooth_noise noise;
	struct teeth *teeth;
	struct smooth_work *work;
	struct smooth_edge *edge; /* one run */
	struct smooth_state *state;
	struct torque torque;
	double *torque_nm; /* at the run's edges, where the wheel winds up */
	double *theta_rad;
	int64_t *t_us;
	size_t run_cap;
	struct run_place *place; /* of each run */
	size_t place_cap;
	struct crank_point *point, *point_before; /* of this leg; of the leg before */
	size_t point_cap, point_before_cap;
	int64_t *closing_us;
	size_t closing_cap, closings;
	struct crank crank, solved[2]; /* at hand; of this leg and of the one before */
	unsigned legs;
	struct crank_totals totals;
	bool way_unknown; /* at the end of the core of the leg before */
	struct tooth_mark carry[CARRY];
	size_t carry_n;
	int64_t last_slot; /* latest slot of the legs so far */
	bool any;
};

struct crank_solver *crank_solver_new(const struct engine *e, const struct wheel *wheel)
{
	struct crank_solver *s = calloc(1, sizeof *s);
	if (s == NULL)
		return NULL;
	s->wheel = wheel;
	s->engine = *e;
	s->noise =
	    (struct smooth_noise){.edge_sd_rad = wheel->edge_sd_rad, .drift_rad2_s4 = wheel->drift_rad2_s4};
	s->torque = torque_of(e, wheel->aligned);
	s->teeth = teeth_new();
	s->work = smooth_work_new();
	if (s->teeth == NULL || s->work == NULL) {
		crank_solver_free(s);
		return NULL;
	}
	return s;
}

void crank_solver_free(struct crank_solver *s)
{
	if (s == NULL)
		return;
	teeth_free(s->teeth);
	smooth_work_free(s->work);
	free(s->edge);
	free(s->state);
	free(s->torque_nm);
	free(s->theta_rad);
	free(s->t_us);
	free(s->place);
	free(s->point);
	free(s->point_before);
	free(s->closing_us);
	free(s);
}

const struct crank_totals *crank_solver_totals(const struct crank_solver *s)
{
	return &s->totals;
}

static bool grow(void **array, size_t n, size_t size)
{
	void *grown = realloc(*array, (n + 1) * size);
	if (grown == NULL)
		return false;
	*array = grown;
	return true;
}

static bool reserve(struct crank_solver *s)
{
	size_t longest = 0;
	for (size_t i = 0; i < s->teeth->run_n; i++)
		longest = s->teeth->run[i].n > longest ? s->teeth->run[i].n : longest;
	if (longest > s->run_cap) {
		if (!grow((void **)&s->edge, longest, sizeof *s->edge) ||
		    !grow((void **)&s->state, longest, sizeof *s->state))
			return false;
		if (s->wheel->winds && (!grow((void **)&s->torque_nm, longest, sizeof *s->torque_nm) ||
		                        !grow((void **)&s->theta_rad, longest, sizeof *s->theta_rad) ||
		                        !grow((void **)&s->t_us, longest, sizeof *s->t_us)))
			return false;
		s->run_cap = longest;
	}
	if (s->teeth->run_n > s->place_cap) {
		if (!grow((void **)&s->place, s->teeth->run_n, sizeof *s->place))
			return false;
		s->place_cap = s->teeth->run_n;
	}
	if (s->teeth->n > s->point_cap) {
		if (!grow((void **)&s->point, s->teeth->n, sizeof *s->point))
			return false;
		s->point_cap = s->teeth->n;
	}
	return true;
}

/* A mark of the run that the leg before knew too gives the count outright. */
static bool shift_by_carry(const struct crank_solver *s, const struct tooth_mark *mark, size_t n,
                           int64_t *shift)
{
	size_t c = 0;
	for (size_t i = 0; i < n && c < s->carry_n; i++) {
		while (c < s->carry_n && s->carry[c].t_us < mark[i].t_us)
			c++;
		if (c < s->carry_n && s->carry[c].t_us == mark[i].t_us) {
			*shift = s->carry[c].slot - mark[i].slot;
			return true;
		}
	}
	return false;
}

static double end_omega(const struct wheel *w, const struct tooth_mark *m)
{
	double dt = 1e-6 * (double)(m[1].t_us - m[0].t_us);
	return (teeth_angle_rad(w, m[1].slot) - teeth_angle_rad(w, m[0].slot)) / dt;
}

/* Did the crank stand between two runs, rather than the sensor fail? */
static bool rested(const struct crank_solver *s, const struct tooth_run *a, const struct tooth_run *b)
{
	const struct tooth_mark *before = s->teeth->mark + a->first, *after = s->teeth->mark + b->first;
	double gap_s = 1e-6 * (double)(after[0].t_us - before[a->n - 1].t_us);
	double speed_a = (double)(before[a->n - 1].slot - before[0].slot) /
	                 (1e-6 * (double)(before[a->n - 1].t_us - before[0].t_us)) * TWO_PI / s->wheel->slots;
	double last = end_omega(s->wheel, before + a->n - 2), first = end_omega(s->wheel, after);
	double slow = REST_PART * fabs(speed_a);
	return gap_s > REST_S && (fabs(last) < slow || fabs(first) < slow);
}

/* Slot at which the next run should begin, if the crank went on as it did. */
static double expected_slot(const struct crank_solver *s, const struct tooth_run *a,
                            const struct tooth_run *b, int64_t last_slot)
{
	const struct tooth_mark *before = s->teeth->mark + a->first + a->n - 2,
	                        *after = s->teeth->mark + b->first;
	double gap_s = 1e-6 * (double)(after[0].t_us - before[1].t_us);
	double omega = 0.5 * (end_omega(s->wheel, before) + end_omega(s->wheel, after));
	double turned = rested(s, a, b) ? 0.5 * TWO_PI / s->wheel->slots : omega * gap_s;
	return (double)last_slot + turned * s->wheel->slots / TWO_PI;
}

/* The shift nearest to `expected` that agrees with `fix` on the wheel. */
static int64_t whole_turns(const struct wheel *w, int64_t fix, double expected, int64_t first_slot)
{
	double turns = (expected - (double)(first_slot + fix)) / w->slots;
	return fix + (int64_t)w->slots * llrint(turns);
}

/* Where nothing tells, the nearest shift that keeps the level right. */
static int64_t nearest_shift(const struct wheel *w, double expected, int64_t first_slot)
{
	double a_tooth = w->slots / w->teeth;
	return (int64_t)a_tooth * llrint((expected - (double)first_slot) / a_tooth);
}

/* Closings of the index between two times. */
static int64_t closings_between(const struct crank_solver *s, int64_t from_us, int64_t to_us)
{
	int64_t n = 0, late_us = llrint(1e6 * s->wheel->index_late_s);
	for (size_t c = 0; c < s->closings; c++)
		n += s->closing_us[c] - late_us > from_us && s->closing_us[c] - late_us <= to_us;
	return n;
}

/* Times the crank passes the index on its way from one angle to another. */
static int64_t index_passes(const struct crank_solver *s, double from_rad, double to_rad)
{
	double place = s->engine.index_rad;
	return llrint(floor((to_rad - place) / TWO_PI) - floor((from_rad - place) / TWO_PI));
}

/* No teeth between two runs, for about as long as a turn takes, or longer: did
 * the pick-up fail or the crank stand?  Where nothing was lost on the way the
 * index tells: the turns to add to a shift that goes on at the speed before and
 * after.  It is believed where that speed does not lead to where the wheel is,
 * or leads past several closings of which most were not seen, or where the count was
 * in doubt on the way. */
static int64_t turns_by_index(const struct crank_solver *s, const struct leg *leg, size_t r, int64_t shift,
                              double expected)
{
	size_t before = r - 1; /* a run whose count is not sure says nothing of turns either */
	while (before > 0 && !s->place[before].sure)
		before--;
	bool over_doubt = before + 1 < r && s->place[before].sure;
	const struct tooth_run *b = &s->teeth->run[r], *a = over_doubt ? &s->teeth->run[before] : b - 1;
	const struct tooth_mark *last = s->teeth->mark + a->first + a->n - 1,
	                        *first = s->teeth->mark + b->first;
	int64_t step = first->slot + shift - last->slot;
	if (!s->wheel->aligned || a->sense < 0 || b->sense < 0 ||
	    leg_lost_between(leg, last->t_us, first->t_us))
		return 0;
	double to = teeth_angle_rad(s->wheel, first->slot + shift);
	int64_t due = index_passes(s, teeth_angle_rad(s->wheel, last->slot), to);
	int64_t seen = closings_between(s, last->t_us, first->t_us);
	double off = fabs((double)(first->slot + shift) - expected), turned = (double)step;
	bool misfit = off > 0.1 * (s->wheel->slots + fabs(turned));
	bool believed = misfit || over_doubt ? seen < due : due >= 2 && 2 * seen < due;
	return believed ? seen - due : 0;
}

static struct align_index index_of(const struct crank_solver *s)
{
	bool known = s->wheel->aligned;
	return (struct align_index){known ? s->engine.index_rad : NAN,
	                            known ? s->wheel->index_opens_rad : NAN, s->closing_us, s->closings,
	                            1e6 * s->wheel->index_late_s};
}

static void shift_run(struct crank_solver *s, size_t r, int64_t shift)
{
	const struct tooth_run *run = &s->teeth->run[r];
	struct tooth_mark *mark = s->teeth->mark + run->first;
	for (size_t i = 0; i < run->n; i++)
		mark[i].slot += shift;
	s->place[r].shift += shift;
}

/* Where neither index nor pattern tells how far the crank went while no teeth were
 * seen, no turns are made up. */
static double without_turns(const struct crank_solver *s, const struct leg *leg, size_t r, double expected)
{
	const struct tooth_mark *first = s->teeth->mark + s->teeth->run[r].first, *last = first - 1;
	bool far = expected - (double)last->slot > (double)s->wheel->slots;
	return far && !leg_lost_between(leg, last->t_us, first->t_us) ? (double)last->slot + 1 : expected;
}

static void place_run(struct crank_solver *s, const struct leg *leg, size_t r)
{
	const struct tooth_run *run = &s->teeth->run[r];
	struct tooth_mark *mark = s->teeth->mark + run->first;
	struct align_index index = index_of(s);
	struct align_fix f = string_fix(s->teeth, r, s->wheel, &s->noise, &index);
	double expected = (double)(s->any ? s->last_slot + 1 : mark[0].slot);
	if (r > 0)
		expected = expected_slot(s, run - 1, run, mark[-1].slot);
	bool sure = f.by != ALIGN_NONE;
	int64_t shift;
	if (shift_by_carry(s, mark, run->n, &shift))
		sure = true;
	else if (sure)
		shift = whole_turns(s->wheel, f.shift, expected, mark[0].slot);
	else
		shift = nearest_shift(s->wheel, r > 0 ? without_turns(s, leg, r, expected) : expected,
		                      mark[0].slot);
	int64_t turns = r > 0 && sure ? turns_by_index(s, leg, r, shift, expected) : 0;
	shift += turns * (int64_t)s->wheel->slots;
	s->place[r] = (struct run_place){0, sure || (!s->wheel->aligned && s->teeth->run_n == 1), false,
	                                 turns < 0 && mark[0].slot + shift - mark[-1].slot <=
	                                                  (int64_t)(s->wheel->slots / s->wheel->teeth)};
	shift_run(s, r, shift);
}

/* A second encoder channel tells which way each run is passed, so that between
 * two runs passed opposite ways the same edge was passed twice; its level must
 * agree.  True when run r + 1 follows run r so. */
static bool turns_back(const struct crank_solver *s, size_t r)
{
	const struct tooth_run *a = &s->teeth->run[r], *b = a + 1;
	const struct tooth_mark *last = s->teeth->mark + a->first + a->n - 1, *first = last + 1;
	return s->wheel->quadrature != 0 && a->sense != b->sense && first->t_us - last->t_us < TURN_US &&
	       (first->slot - last->slot) % (int64_t)(s->wheel->slots / s->wheel->teeth) == 0;
}

/* Runs too short to be placed by themselves, placed by their neighbours. */
static void place_by_turns(struct crank_solver *s)
{
	struct teeth *t = s->teeth;
	for (size_t r = t->run_n; r-- > 1;) {
		const struct tooth_mark *first = t->mark + t->run[r].first;
		if (s->place[r].sure && !s->place[r - 1].sure && turns_back(s, r - 1)) {
			shift_run(s, r - 1, first->slot - first[-1].slot);
			s->place[r - 1].sure = true;
		}
	}
	for (size_t r = 1; r < t->run_n; r++) {
		const struct tooth_mark *first = t->mark + t->run[r].first;
		if (s->place[r - 1].sure && !s->place[r].sure && turns_back(s, r - 1)) {
			shift_run(s, r, first[-1].slot - first->slot);
			s->place[r].sure = true;
		}
	}
}

/* The crank next to where a run ends or begins. */
struct run_end {
	double slow_rad_s;  /* slowest of the few steps nearest */
	double fast_rad_s;  /* fastest within a quarter turn */
	double hard_rad_s2; /* what braked or drove it between the two */
};

/* Steps that are looked at: a quarter turn, and those nearest. */
static size_t end_reach(const struct wheel *w)
{
	return w->slots / 4 + END_STEPS;
}

/* way -1: `m` is a run's last mark; +1: its first. */
static struct run_end run_end_at(const struct crank_solver *s, const struct tooth_mark *m, int way)
{
	struct run_end e = {INFINITY, 0, 0};
	size_t reach = end_reach(s->wheel), slow = 0, fast = 0;
	for (size_t i = 0; i < reach && i + 1 < s->wheel->slots; i++) {
		double omega = fabs(end_omega(s->wheel, way > 0 ? m + i : m - 1 - i));
		if (i < END_STEPS && omega < e.slow_rad_s) {
			e.slow_rad_s = omega;
			slow = i;
		}
		if (omega > e.fast_rad_s) {
			e.fast_rad_s = omega;
			fast = i;
		}
	}
	const struct tooth_mark *at_fast = way > 0 ? m + fast : m - fast,
	                        *at_slow = way > 0 ? m + slow : m - slow;
	double apart_s = 1e-6 * fabs((double)(at_fast->t_us - at_slow->t_us));
	e.hard_rad_s2 = apart_s > 0 ? (e.fast_rad_s - e.slow_rad_s) / apart_s : 0;
	return e;
}

/* Is there time between two runs to stop the crank and to bring it to speed again the other
 * way, at several times what it usually is braked and driven by, and was just before or after? */
static bool time_to_turn(const struct crank_solver *s, const struct run_end *a, const struct run_end *b,
                         double gap_s)
{
	double usual = s->noise.drift_rad2_s4 > 0 ? sqrt(s->noise.drift_rad2_s4) : INFINITY;
	double hard = fmax(usual, fmax(a->hard_rad_s2, b->hard_rad_s2));
	return a->slow_rad_s + b->slow_rad_s < TEETH_TURN_SLACK * hard * gap_s;
}

/* Are the teeth after a hole where they would be had the crank gone on over it, at a speed that goes with
 * those before and after? (One turning point in thirty or so puts them there, too, but at next to none.) */
static bool went_on(const struct crank_solver *s, size_t r, double gap_s, double slow_rad_s)
{
	const struct tooth_mark *first = s->teeth->mark + s->teeth->run[r].first, *last = first - 1;
	int64_t step = first->slot - last->slot, most = (int64_t)(s->wheel->slots / s->wheel->teeth) + 1;
	double over_rad = teeth_angle_rad(s->wheel, first->slot) - teeth_angle_rad(s->wheel, last->slot);
	return s->place[r - 1].sure && s->place[r].sure && step > 0 && step <= most &&
	       over_rad > WENT_ON_PART * slow_rad_s * gap_s;
}

/* May the crank have turned back between runs r - 1 and r?  It slowed down there, or sped up from it, with
 * time enough to turn, and did not stand for long (what starts from rest starts forward); and the index does
 * not put the teeth after it where they would be had it gone on.  A run too short for the index to place
 * leaves the way unknown for those behind it. */
static bool may_turn_back(const struct crank_solver *s, size_t r)
{
	const struct tooth_run *b = &s->teeth->run[r], *a = b - 1;
	const struct tooth_mark *first = s->teeth->mark + b->first, *last = first - 1;
	double gap_s = 1e-6 * (double)(first->t_us - last->t_us);
	size_t reach = end_reach(s->wheel);
	if (s->wheel->quadrature != 0 || !s->wheel->aligned || a->sense < 0 || b->sense < 0 ||
	    a->n <= reach || b->n <= reach || first->t_us - last->t_us > TURN_US)
		return false;
	double turned =
	    teeth_angle_rad(s->wheel, last->slot) - teeth_angle_rad(s->wheel, last[1 - a->n].slot);
	double mean = turned / (1e-6 * (double)(last->t_us - last[1 - a->n].t_us));
	struct run_end before = run_end_at(s, last, -1), after = run_end_at(s, first, 1);
	double slow = fmin(before.slow_rad_s, after.slow_rad_s);
	bool slowed = before.slow_rad_s < TURN_PART * before.fast_rad_s ||
	              after.slow_rad_s < TURN_PART * after.fast_rad_s;
	return slowed && slow < BACK_PART * fabs(mean) && time_to_turn(s, &before, &after, gap_s) &&
	       !went_on(s, r, gap_s, slow) && !align_way_known(s->wheel, &s->noise, first, b->n);
}

/* Did the crank stand before run r, long enough that it starts forward again? */
static bool starts_anew(const struct crank_solver *s, size_t r)
{
	const struct tooth_mark *first = s->teeth->mark + s->teeth->run[r].first;
	return first->t_us - first[-1].t_us > TURN_US;
}

/* Runs after a turning point that nothing but the index places. */
static void doubt_way(struct crank_solver *s, const struct leg *leg)
{
	bool unknown = leg->continues && s->way_unknown;
	for (size_t r = 0; r < s->teeth->run_n; r++) {
		const struct tooth_run *run = &s->teeth->run[r];
		if (r > 0 && unknown &&
		    (starts_anew(s, r) ||
		     align_way_known(s->wheel, &s->noise, s->teeth->mark + run->first, run->n)))
			unknown = false;
		if (r > 0 && may_turn_back(s, r))
			unknown = true;
		s->place[r].way_unknown = unknown;
		if (run->n == 0 || s->teeth->mark[run->first].t_us < leg->core_to_us)
			s->way_unknown = unknown;
	}
}

/* The torque at a run's edges; where the gauges say nothing it is taken as it mostly is. */
static void wind_edges(struct crank_solver *s, const struct leg *leg, const struct tooth_mark *mark, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		s->t_us[i] = mark[i].t_us;
		s->theta_rad[i] = s->edge[i].angle_rad;
	}
	torque_gas(&s->torque, leg, s->t_us, s->theta_rad, n, s->torque_nm);
	for (size_t i = 0; i < n; i++) {
		s->torque_nm[i] = isnan(s->torque_nm[i]) ? s->wheel->wind_at_nm : s->torque_nm[i];
		s->edge[i].angle_rad += s->wheel->wind_smooth_rad_nm * s->torque_nm[i];
	}
}

/* From what turns smoothly to the crank. */
static void wind_points(const struct crank_solver *s, struct crank_point *point, size_t n)
{
	const struct wheel *w = s->wheel;
	for (size_t i = 0; i < n; i++) {
		size_t a = i > 0 ? i - 1 : i, b = i + 1 < n ? i + 1 : i;
		double dt = 1e-6 * (double)(point[b].t_us - point[a].t_us),
		       more = w->wind_rad_nm - w->wind_smooth_rad_nm;
		double doubt = w->wind_sd_rad_nm * (s->torque_nm[i] - w->wind_at_nm);
		point[i].theta_rad += more * s->torque_nm[i];
		point[i].omega_rad_s += dt > 0 ? more * (s->torque_nm[b] - s->torque_nm[a]) / dt : 0;
		point[i].sd_rad = (float)hypot((double)point[i].sd_rad, doubt);
	}
}

static void smooth_marks(struct crank_solver *s, const struct leg *leg, const struct tooth_run *run,
                         uint8_t flag)
{
	const struct tooth_mark *mark = s->teeth->mark + run->first;
	struct crank_point *point = s->point + run->first;
	for (size_t i = 0; i < run->n; i++)
		s->edge[i] = (struct smooth_edge){1e-6 * (double)(mark[i].t_us - mark[0].t_us),
		                                  teeth_angle_rad(s->wheel, mark[i].slot)};
	if (s->wheel->winds)
		wind_edges(s, leg, mark, run->n);
	smooth_run(s->work, &s->noise, s->edge, run->n, s->state);
	for (size_t i = 0; i < run->n; i++) {
		double wheel_sd = s->wheel->angle_sd_rad[teeth_place(s->wheel, mark[i].slot)];
		point[i] = (struct crank_point){mark[i].t_us,
		                                mark[i].slot,
		                                s->state[i].theta_rad,
		                                s->state[i].omega_rad_s,
		                                (float)sqrt(s->state[i].theta_var + wheel_sd * wheel_sd),
		                                flag};
	}
	if (s->wheel->winds)
		wind_points(s, point, run->n);
}

/* Does the index close where it should, more often than not, over these points? */
static bool index_agrees(const struct crank_solver *s, const struct crank_point *p, size_t n, bool back)
{
	double place = back ? s->wheel->index_opens_rad : s->engine.index_rad;
	size_t i = 0, agree = 0, differ = 0;
	for (size_t k = 0; k < s->closings; k++) {
		int64_t t = s->closing_us[k];
		while (i + 2 < n && p[i + 1].t_us <= t)
			i++;
		if (n < 2 || t < p[i].t_us || t > p[i + 1].t_us)
			continue;
		double part = (double)(t - p[i].t_us) / (double)(p[i + 1].t_us - p[i].t_us);
		double theta = p[i].theta_rad + part * (p[i + 1].theta_rad - p[i].theta_rad);
		bool near = fabs(remainder(theta - place, TWO_PI)) < 0.5 * TWO_PI / s->wheel->teeth;
		agree += near;
		differ += !near;
	}
	return agree > differ;
}

/* Inside a run: a long row of missing teeth is a drop-out all the same, and beyond it
 * the count stands only where the index agrees. */
static void flag_holes(const struct crank_solver *s, const struct tooth_run *run)
{
	struct crank_point *p = s->point + run->first;
	int64_t most = (int64_t)(GAP_TEETH * s->wheel->slots / s->wheel->teeth);
	size_t part = 0; /* first point since the last hole */
	for (size_t i = 0; i < run->n; i++) {
		bool hole = i + 1 < run->n && llabs(p[i + 1].slot - p[i].slot) > most;
		if (!hole && i + 1 < run->n)
			continue;
		if (part > 0 && s->wheel->aligned && !index_agrees(s, p + part, i + 1 - part, run->sense < 0))
			for (size_t k = part; k <= i; k++)
				p[k].flag = CRANK_COUNT_UNSURE;
		if (hole)
			p[i].flag = CRANK_DROPOUT;
		part = i + 1;
	}
}

static void flag_way(const struct crank_solver *s, const struct tooth_run *run)
{
	for (size_t i = 0; i < run->n; i++)
		s->point[run->first + i].flag = CRANK_DIRECTION_UNKNOWN;
}

static double step_speed(const struct crank_point *p)
{
	return fabs((double)(p[1].slot - p[0].slot)) / (double)(p[1].t_us - p[0].t_us);
}

static double end_step_speed(const struct crank_point *p, size_t n, int way, size_t i)
{
	return step_speed(way > 0 ? p + i : p + n - 2 - i);
}

/* Steps at an end of a run (+1: from its first mark on, -1: from its last back) that were
 * passed slowly, if one of the first few is far slower than the run nearby: from rest the
 * crank may have gone the other way first, past the same edges, and as it gathers speed
 * no step tells which.  Where both edges are seen their spacing does, but for the slowest.
 * 0 when nothing is slow. */
static size_t slow_end(const struct crank_point *p, size_t n, int way, size_t reach, bool single)
{
	double slowest = INFINITY, fastest = 0;
	double slow = single ? END_SLOW_SINGLE : END_SLOW, doubt = single ? END_DOUBT : END_SLOW;
	size_t steps = 0;
	reach = reach < n - 1 ? reach : n - 1;
	for (size_t i = 0; i < reach; i++) {
		double speed = end_step_speed(p, n, way, i);
		slowest = i < END_STEPS ? fmin(slowest, speed) : slowest;
		fastest = fmax(fastest, speed);
	}
	for (size_t i = 0; i < reach && slowest < slow * fastest; i++)
		steps = end_step_speed(p, n, way, i) < doubt * fastest ? i + 1 : steps;
	return steps;
}

static void flag_slow_ends(const struct crank_solver *s, const struct tooth_run *run)
{
	struct crank_point *p = s->point + run->first;
	size_t reach = s->wheel->slots / 4 + END_STEPS;
	bool single = s->wheel->slots == s->wheel->teeth;
	size_t first = slow_end(p, run->n, 1, reach, single), last = slow_end(p, run->n, -1, reach, single);
	for (size_t i = 0; i < first; i++)
		p[i].flag = CRANK_DIRECTION_UNKNOWN;
	for (size_t i = 0; i < last; i++)
		p[run->n - 2 - i].flag = CRANK_DIRECTION_UNKNOWN;
}

/* Does run r go on counting just as run r - 1 left off, or turn back on its last edge? */
static bool counts_on(const struct crank_solver *s, size_t r)
{
	const struct run_place *a = &s->place[r - 1], *b = &s->place[r];
	enum tooth_join join = s->teeth->run[r].join;
	if (!a->sure || !b->sure)
		return false;
	if ((join == TOOTH_JOIN_SLOW || join == TOOTH_JOIN_VOTES) && a->shift == b->shift)
		return true;
	const struct tooth_run *run = &s->teeth->run[r];
	const struct tooth_mark *first = s->teeth->mark + run->first;
	return run->sense != run[-1].sense && first->slot == first[-1].slot &&
	       first->t_us - first[-1].t_us < TURN_US;
}

static uint8_t join_flag(const struct crank_solver *s, size_t r)
{
	const struct tooth_run *a = &s->teeth->run[r - 1], *b = &s->teeth->run[r];
	if (b->join == TOOTH_JOIN_UNSURE || b->join == TOOTH_JOIN_VOTES)
		return CRANK_COUNT_UNSURE;
	if (b->join == TOOTH_JOIN_SLOW)
		return CRANK_DIRECTION_UNKNOWN;
	return s->place[r].stood || rested(s, a, b) ? CRANK_AT_REST : CRANK_DROPOUT;
}

/* Where the search broke off in doubt the teeth next to it may be wrong already. */
static void flag_join(struct crank_solver *s, size_t r)
{
	const struct tooth_run *a = &s->teeth->run[r - 1], *b = &s->teeth->run[r];
	s->point[b->first - 1].flag = join_flag(s, r);
	if (b->join != TOOTH_JOIN_UNSURE && s->place[r - 1].sure && s->place[r].sure)
		return;
	for (size_t i = 0; i < DOUBT_POINTS && i < a->n; i++)
		s->point[b->first - 1 - i].flag = CRANK_COUNT_UNSURE;
	for (size_t i = 0; i < DOUBT_POINTS && i < b->n; i++)
		s->point[b->first + i].flag = CRANK_COUNT_UNSURE;
}

static uint8_t unsure_flag(const struct crank_solver *s, size_t r)
{
	const struct teeth *t = s->teeth;
	bool slow =
	    t->run[r].join == TOOTH_JOIN_SLOW || (r + 1 < t->run_n && t->run[r + 1].join == TOOTH_JOIN_SLOW);
	return slow ? CRANK_DIRECTION_UNKNOWN : CRANK_COUNT_UNSURE;
}

static void build_points(struct crank_solver *s, const struct leg *leg)
{
	uint8_t good = s->wheel->aligned ? CRANK_GOOD : CRANK_NOT_ALIGNED;
	for (size_t r = 0; r < s->teeth->run_n; r++)
		place_run(s, leg, r);
	place_by_turns(s);
	doubt_way(s, leg);
	for (size_t r = 0; r < s->teeth->run_n; r++) {
		const struct tooth_run *run = &s->teeth->run[r];
		smooth_marks(s, leg, run, s->place[r].sure ? good : unsure_flag(s, r));
		flag_holes(s, run);
		if (s->place[r].way_unknown)
			flag_way(s, run);
		if (s->place[r].sure && s->wheel->quadrature == 0)
			flag_slow_ends(s, run);
		if (r > 0 && !counts_on(s, r))
			flag_join(s, r);
	}
	s->crank = (struct crank){.wheel = s->wheel, .point = s->point, .n = s->teeth->n};
}

static bool in_core(const struct leg *leg, int64_t t_us)
{
	return t_us >= leg->core_from_us && t_us < leg->core_to_us;
}

static bool is_good(uint8_t flag)
{
	return flag == CRANK_GOOD || flag == CRANK_NOT_ALIGNED;
}

static bool counts(const struct crank_solver *s, const struct ride_edge *e)
{
	return s->engine.edges == EDGES_BOTH || (e->level != 0) == (s->engine.edges == EDGES_RISING);
}

/* Edges of the core between two points that are no tooth's; *e moves past the later point. */
static uint64_t untaken_edges(const struct crank_solver *s, const struct leg *leg, int64_t from_us,
                              int64_t to_us, size_t *e)
{
	uint64_t n = 0;
	for (; *e < leg->tooth_n && leg->tooth[*e].t_us <= to_us; ++*e) {
		const struct ride_edge *edge = &leg->tooth[*e];
		bool taken = edge->t_us == from_us || edge->t_us == to_us;
		n += counts(s, edge) && !taken && in_core(leg, edge->t_us);
	}
	return n;
}

/* Missed and extra edges between two points of sure runs.  Where the search broke
 * off between them what was missed and what was extra is not told apart: only
 * what is left over of either counts. */
static void count_stretch(struct crank_solver *s, const struct leg *leg, size_t i, uint64_t untaken,
                          bool join)
{
	const struct crank_point *p = &s->point[i];
	uint64_t passed =
	    p[1].slot > p->slot && in_core(leg, p->t_us) ? (uint64_t)(p[1].slot - p->slot - 1) : 0;
	uint64_t both = join ? (untaken < passed ? untaken : passed) : 0;
	bool lost = passed > both && leg_lost_between(leg, p[0].t_us, p[1].t_us);
	s->totals.teeth_extra += untaken - both;
	*(lost ? &s->totals.teeth_lost : &s->totals.teeth_missed) += passed - both;
}

static void count_teeth(struct crank_solver *s, const struct leg *leg)
{
	size_t e = 0, r = 0;
	while (s->crank.n > 0 && e < leg->tooth_n && leg->tooth[e].t_us <= s->point[0].t_us)
		e++;
	for (size_t i = 0; i + 1 < s->crank.n; i++) {
		while (r + 1 < s->teeth->run_n && s->teeth->run[r + 1].first <= i)
			r++;
		bool join = r + 1 < s->teeth->run_n && s->teeth->run[r + 1].first == i + 1;
		uint64_t untaken = untaken_edges(s, leg, s->point[i].t_us, s->point[i + 1].t_us, &e);
		bool sure = s->place[r].sure && (!join || s->place[r + 1].sure);
		if (sure && s->point[i].flag != CRANK_AT_REST)
			count_stretch(s, leg, i, untaken, join);
	}
	for (size_t i = 0; i < leg->tooth_n; i++)
		s->totals.teeth_seen += counts(s, &leg->tooth[i]) && in_core(leg, leg->tooth[i].t_us);
}

static void count_sd(struct crank_solver *s, const struct leg *leg)
{
	for (size_t i = 0; i < s->crank.n; i++) {
		const struct crank_point *p = &s->point[i];
		if (!in_core(leg, p->t_us) || !is_good(p->flag))
			continue;
		s->totals.sum_sd2 += (double)p->sd_rad * (double)p->sd_rad;
		s->totals.sd_n++;
	}
}

static void count_time(struct crank_solver *s, const struct leg *leg)
{
	double turned = 0, good_s = 0;
	size_t r = 0;
	for (size_t i = 0; i + 1 < s->crank.n; i++) {
		const struct crank_point *p = &s->point[i];
		int64_t from = p->t_us > leg->core_from_us ? p->t_us : leg->core_from_us;
		int64_t to = p[1].t_us < leg->core_to_us ? p[1].t_us : leg->core_to_us;
		if (to <= from)
			continue;
		double dt = 1e-6 * (double)(to - from);
		if (is_good(p->flag)) {
			good_s += dt;
			turned += dt * 0.5 * (p->omega_rad_s + p[1].omega_rad_s);
		}
		if (p->flag != CRANK_GOOD && p->flag != CRANK_AT_REST)
			s->totals.flagged_s += dt;
		while (r + 1 < s->teeth->run_n && s->teeth->run[r + 1].first <= i)
			r++;
		s->totals.way_unknown_s += s->place[r].way_unknown ? dt : 0;
	}
	s->crank.mean_speed_rad_s = good_s > 0 ? turned / good_s : 0;
}

/* Turned backward the switch closes where it else opens. */
static double index_place(const struct crank_solver *s, bool back)
{
	return back ? s->wheel->index_opens_rad : s->engine.index_rad;
}

/* Did the switch close while, or just before or after, the crank went from point i to the next? */
static bool closed_about(const struct crank_solver *s, size_t i)
{
	const struct crank_point *p = &s->point[i];
	double omega = fmax(fabs(p->omega_rad_s), 1), reach = 1e6 * INDEX_REACH_RAD / omega;
	double late = 1e6 * s->wheel->index_late_s;
	for (size_t c = 0; c < s->closings; c++) {
		double at = (double)s->closing_us[c] - late;
		if (at > (double)p[0].t_us - reach && at < (double)p[1].t_us + reach)
			return true;
	}
	return false;
}

/* Times in the core at which the index should close, on good stretches; not
 * those whose record may have been lost on the way. */
static uint64_t index_due(const struct crank_solver *s, const struct leg *leg)
{
	uint64_t due = 0;
	for (size_t i = 0; i + 1 < s->crank.n; i++) {
		const struct crank_point *p = &s->point[i];
		if (!in_core(leg, p->t_us) || !is_good(p->flag))
			continue;
		bool back = p[1].theta_rad < p->theta_rad;
		double place = index_place(s, back), low = fmin(p->theta_rad, p[1].theta_rad);
		double passed = floor((fmax(p->theta_rad, p[1].theta_rad) - place) / TWO_PI) -
		                floor((low - place) / TWO_PI);
		if (passed <= 0 || (leg_lost_between(leg, p[0].t_us, p[1].t_us) && !closed_about(s, i)))
			continue;
		due += (uint64_t)passed;
	}
	return due;
}

static void count_index(struct crank_solver *s, const struct leg *leg)
{
	struct crank_totals *t = &s->totals;
	size_t hint = 0;
	uint64_t hits = 0;
	double turn_before = NAN;
	for (size_t i = 0; i < leg->index_n; i++)
		if (leg->index[i].level != 0 && in_core(leg, leg->index[i].t_us))
			t->index_bounces += align_is_bounce(leg, i);
	for (size_t i = 0; i < s->closings; i++) {
		if (!in_core(leg, s->closing_us[i]))
			continue;
		struct crank_state at;
		crank_at(&s->crank, (double)s->closing_us[i] - 1e6 * s->wheel->index_late_s, &hint, &at);
		t->index_seen++;
		if (at.flag != CRANK_GOOD)
			continue;
		double turns = (at.theta_rad - index_place(s, at.omega_rad_s < 0)) / TWO_PI,
		       turn = rint(turns);
		bool hit = fabs(turns - turn) * TWO_PI < INDEX_REACH_RAD && turn != turn_before;
		hits += hit;
		t->index_extra += !hit;
		if (hit)
			turn_before = turn;
	}
	uint64_t due = s->wheel->aligned ? index_due(s, leg) : 0;
	t->index_missed += due > hits ? due - hits : 0;
}

static void carry_on(struct crank_solver *s, const struct leg *leg)
{
	s->carry_n = 0;
	size_t from = 0;
	for (size_t i = 0; i < s->crank.n && s->point[i].t_us < leg->core_to_us; i++)
		from = i;
	from = from > CARRY / 2 ? from - CARRY / 2 : 0;
	for (size_t i = from; i < s->crank.n && s->carry_n < CARRY; i++)
		if (is_good(s->point[i].flag))
			s->carry[s->carry_n++] = (struct tooth_mark){s->point[i].t_us, s->point[i].slot};
	if (s->crank.n > 0) {
		s->last_slot = s->point[s->crank.n - 1].slot;
		s->any = true;
	}
}

/* The points of the leg before stay as they are while this leg is solved. */
static void keep_before(struct crank_solver *s)
{
	struct crank_point *point = s->point;
	size_t cap = s->point_cap;
	s->point = s->point_before;
	s->point_cap = s->point_before_cap;
	s->point_before = point;
	s->point_before_cap = cap;
}

int crank_solve(struct crank_solver *s, const struct leg *leg, const struct crank **crank,
                struct fault *fault)
{
	keep_before(s);
	if (leg->index_n > s->closing_cap) {
		if (!grow((void **)&s->closing_us, leg->index_n, sizeof *s->closing_us))
			return fault_set(fault, EX_OSERR, "out of memory for %zu index events", leg->index_n);
		s->closing_cap = leg->index_n;
	}
	s->closings = leg->index_n > 0 ? align_closings(leg, s->closing_us) : 0;
	struct align_index index = index_of(s);
	if (string_leg(s->teeth, s->wheel, &s->noise, &index, s->engine.edges, leg, fault) != 0)
		return -1;
	if (!reserve(s))
		return fault_set(fault, EX_OSERR, "out of memory for a leg of %zu teeth", leg->tooth_n);
	if (!leg->continues)
		s->carry_n = 0;
	build_points(s, leg);
	count_teeth(s, leg);
	count_sd(s, leg);
	count_time(s, leg);
	count_index(s, leg);
	carry_on(s, leg);
	struct crank *solved = &s->solved[s->legs++ % 2];
	*solved = s->crank;
	*crank = solved;
	return 0;
}
