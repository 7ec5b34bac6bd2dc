/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel centre: the index angle from the engine's own dead centres. */
#include "analyse/centre.h"
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "common/unit.h"

#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define ROUNDS 4          /* the wheel is learned by the gas torque, which follows from the index angle */
#define SETTLED 1e-4      /* rad: no more rounds */
#define RATIO_LEAST 2.0   /* of peak over low pressure: less leaks too much */
#define HALF_MOST 0.105   /* rad: 6 deg; more is no loss of heat */
#define SPEEDS_APART 0.05 /* relative */
#define ENDS_APART_SDS 2.5

static int help(void)
{
	puts("usage: trammel centre RUN [--stops cap|rod] [--engine FILE] [--rest SECONDS]\n\n"
	     "Finds the crank angle at which the index switch closes (`index angle` in the engine\n"
	     "file), from a run made for it:\n\n"
	     "sealed chambers  shut all valves, controller off or idle, and turn the crank slowly\n"
	     "                 through, some dozen turns forward and as many backward, about as\n"
	     "                 fast both ways. Each end's pressure peaks near its dead centre; the\n"
	     "                 middle of forward and backward peaks is the dead centre, whatever\n"
	     "                 heat the air loses and whatever the gauge lags.\n"
	     "--stops cap|rod  positive stops: block the piston short of this end's dead centre.\n"
	     "                 Turn against the block, press the rider's button, turn back round to\n"
	     "                 the other side, press again; the dead centre lies between. As good\n"
	     "                 as the teeth are fine; repeat it some times.\n\n"
	     "Where the crank turns back is told by the second channel of an encoder, or by the\n"
	     "wheel's own pitch errors (`edges = both`). Which way is forward only the engine file\n"
	     "can say (`second channel = behind` or ahead in [teeth]); else both answers are given:\n"
	     "turn forward first, and remember that you did.\n\n"
	     "--engine FILE    instead of the engine file in the log\n"
	     "--rest SECONDS   where the crank rests this long one ride ends (60)\n\n"
	     "example: trammel centre turned-by-hand\n\n"
	     "Let the pressure off before a hand goes near the crank: a sealed chamber is a spring.");
	return EX_OK;
}

struct options {
	const char *run, *engine_file;
	double rest_s;
	bool stops;
	enum engine_end stops_end;
};

/* --- one round: follow the crank, look for peaks and marks ---------------- */

static int learn(struct ride *ride, const struct engine *e, struct wheel *wheel, struct fault *f)
{
	struct crank_learner *l = crank_learner_new(e);
	const struct leg *leg;
	int got = l == NULL ? fault_set(f, EX_OSERR, "out of memory") : 0;
	ride_rewind(ride);
	while (got == 0 && (got = ride_next_leg(ride, &leg, f)) > 0)
		got = crank_learn(l, leg, f);
	if (got == 0)
		got = crank_learned(l, wheel, f);
	crank_learner_free(l);
	return got;
}

static int look(struct ride *ride, const struct engine *e, const struct wheel *wheel, struct centre *c,
                struct fault *f)
{
	struct crank_solver *s = crank_solver_new(e, wheel);
	const struct leg *leg;
	const struct crank *crank;
	int got = s == NULL ? fault_set(f, EX_OSERR, "out of memory") : 0;
	ride_rewind(ride);
	while (got == 0 && (got = ride_next_leg(ride, &leg, f)) > 0) {
		got = crank_solve(s, leg, &crank, f);
		if (got == 0)
			got = centre_add(c, leg, crank, f);
	}
	crank_solver_free(s);
	return got;
}

struct found { /* what the rounds come to */
	struct centre_end_result end[END_COUNT];
	bool has[END_COUNT];
	double off_rad, sd_rad; /* index past where it should be; NAN */
	double wheel_sd_rad;    /* of sd, by the wheel's own errors */
	struct centre_index ends;
	unsigned pairs;
	int first_way;       /* as taken */
	bool way_told;       /* the engine file says which way is forward */
	int second;          /* of the second channel, as taken: +1 behind, -1 ahead, 0 none */
	double mirrored_rad; /* where it closes if the other way is forward */
	double index_rad;    /* used in the last round */
	bool aligned;
};

static void take_ends(const struct engine *e, const struct wheel *wheel, const struct centre *c,
                      struct found *r)
{
	const struct mech m = mech_of(e);
	for (enum engine_end end = END_CAP; end < END_COUNT; end++)
		r->has[end] = centre_solve(c, end, &r->end[end]);
	r->off_rad = r->sd_rad = NAN;
	if (!r->has[END_CAP] && !r->has[END_ROD])
		return;
	r->ends = centre_weigh(&m, wheel, e->index_rad, r->end, r->has);
	r->off_rad = r->ends.off_rad;
	r->sd_rad = r->ends.sd_rad;
	r->wheel_sd_rad = r->ends.wheel_sd_rad;
}

static void take_stops(const struct engine *e, const struct wheel *wheel, const struct centre *c,
                       enum engine_end end, struct found *r)
{
	const struct mech m = mech_of(e);
	if (!centre_solve_stops(c, end, &r->off_rad, &r->sd_rad, &r->pairs)) {
		r->off_rad = NAN;
		return;
	}
	r->wheel_sd_rad = centre_wheel_sd(wheel, mech_dead_centre_rad(&m, end), e->index_rad);
	r->sd_rad = hypot(r->sd_rad, r->wheel_sd_rad);
}

static int one_round(struct ride *ride, const struct engine *e, const struct options *o, struct wheel *wheel,
                     struct found *r, struct fault *f)
{
	if (learn(ride, e, wheel, f) != 0)
		return -1;
	struct centre *c = centre_new(e);
	if (c == NULL)
		return fault_set(f, EX_OSERR, "out of memory");
	int status = look(ride, e, wheel, c, f);
	if (status == 0 && o->stops)
		take_stops(e, wheel, c, o->stops_end, r);
	else if (status == 0)
		take_ends(e, wheel, c, r);
	const struct mech m = mech_of(e);
	r->mirrored_rad = centre_mirrored_index(&m, wheel, r->off_rad);
	r->first_way = centre_first_way(c);
	r->way_told = e->second_channel != 0 && wheel->quadrature != 0;
	r->second = wheel->quadrature;
	r->index_rad = e->index_rad;
	r->aligned = wheel->aligned;
	centre_free(c);
	return status;
}

static int check(const struct options *o, const struct found *r, struct fault *f)
{
	unsigned forward = r->end[END_CAP].forward + r->end[END_ROD].forward;
	unsigned backward = r->end[END_CAP].backward + r->end[END_ROD].backward;
	if (!r->aligned)
		return fault_set(f, EX_DATAERR, "%s: no index was seen; its angle cannot be told", o->run);
	if (!isnan(r->off_rad))
		return 0;
	if (o->stops)
		return fault_set(f, EX_DATAERR,
		                 "%s: no pair of marks at which the crank's angle is known; press the button "
		                 "once at the stop on either side of the dead centre",
		                 o->run);
	if (forward + backward == 0)
		return fault_set(f, EX_DATAERR,
		                 "%s: no pressure peak of a sealed chamber; shut all valves, turn the crank "
		                 "through, and check the sensors of cap and rod end",
		                 o->run);
	return fault_set(
	    f, EX_DATAERR,
	    "%s: %u peaks turning forward, %u backward; two of each at one end are needed, since "
	    "one way alone is some degrees off by the heat the air loses",
	    o->run, forward, backward);
}

/* --- what it says --------------------------------------------------------- */

static void warn_about(const struct centre_end_result *r, const char *end)
{
	if (r->ratio < RATIO_LEAST)
		printf("  ! the %s end's pressure rises only to %.1f times its least: it leaks\n", end,
		       r->ratio);
	if (fabs(r->half_rad) > HALF_MOST)
		printf(
		    "  ! forward and backward peaks of the %s end are %.1f deg apart: more than heat and lag "
		    "explain\n",
		    end, unit_deg(2 * fabs(r->half_rad)));
	if (isnan(r->half_at_rest_rad) && fabs(r->speed_rad_s[0] / r->speed_rad_s[1] - 1) > SPEEDS_APART)
		printf("  ! the %s end was turned at %.0f rpm forward and %.0f rpm backward: some hundredths "
		       "of a "
		       "degree off for each 5 %% of difference\n",
		       end, unit_rpm(r->speed_rad_s[0]), unit_rpm(r->speed_rad_s[1]));
}

static void print_ends(const struct found *r)
{
	puts("Sealed chambers, turned both ways");
	puts("  end  peaks fwd back   rpm fwd  back  ratio  off, deg        half apart, deg");
	for (enum engine_end end = END_CAP; end < END_COUNT; end++) {
		const struct centre_end_result *e = &r->end[end];
		if (!r->has[end])
			continue;
		printf("  %-4s %9u %4u  %8.0f %5.0f  %5.1f  %+6.3f +/- %.3f  %+6.2f\n", engine_end_name(end),
		       e->forward, e->backward, unit_rpm(e->speed_rad_s[0]), unit_rpm(e->speed_rad_s[1]),
		       e->ratio, unit_deg(e->off_rad), unit_deg(1.96 * e->off_sd_rad), unit_deg(e->half_rad));
	}
	puts("  off: dead centre past where the engine file has it; half apart: half of forward minus\n"
	     "  backward peak, by heat, lag and play");
	for (enum engine_end end = END_CAP; end < END_COUNT; end++) {
		if (!r->has[end])
			continue;
		warn_about(&r->end[end], engine_end_name(end));
		if (!isnan(r->end[end].half_at_rest_rad))
			printf(
			    "  play and heat, with the gauge's lag taken out: %.2f deg either way (%s end)\n",
			    unit_deg(fabs(r->end[end].half_at_rest_rad)), engine_end_name(end));
	}
	if (fabs(r->ends.apart_rad) > ENDS_APART_SDS * r->ends.apart_sd_rad)
		printf("  ! the two ends' dead centres disagree by %.2f deg: check the lengths in the engine "
		       "file\n",
		       unit_deg(fabs(r->ends.apart_rad)));
}

static double turn_deg(double rad)
{
	return unit_deg(rad - UNIT_PI * 2 * floor(rad / (2 * UNIT_PI)));
}

/* The ways cannot be told apart by what is seen: all of it has a mirror image. */
static void print_both_ways(const struct found *r, double deg, double mirrored_deg)
{
	const char *first = r->first_way < 0 ? "backward" : "forward";
	const char *other = r->first_way < 0 ? "forward" : "backward";
	printf("\nNothing in the log says which way is forward. The above holds if the crank was first\n"
	       "turned %s.",
	       first);
	if (isnan(mirrored_deg))
		printf(" If it was first turned %s it does not hold.\n", other);
	else
		printf(" If it was first turned %s, the index closes at about %.1f deg (as\nfar as the "
		       "switch lets go where it took hold).\n",
		       other, mirrored_deg);
	printf("\n[teeth]\n; if the crank was first turned %s:\nindex angle = %.2f deg\n", first, deg);
	if (r->second != 0)
		printf("second channel = %s\n", r->second > 0 ? "behind" : "ahead");
	if (isnan(mirrored_deg))
		return;
	printf("; if it was first turned %s, instead:\n; index angle = %.1f deg\n", other, mirrored_deg);
	if (r->second != 0)
		printf("; second channel = %s\n; (and run this again with it)\n",
		       r->second > 0 ? "ahead" : "behind");
}

static void print_found(const struct engine *e, const char *name, double file_rad, const struct options *o,
                        const struct found *r)
{
	double deg = turn_deg(r->index_rad - r->off_rad);
	printf("%s: dead centre, %s\n\n", e->name, name);
	if (o->stops)
		printf("Positive stops, %s end: %u pairs\n", engine_end_name(o->stops_end), r->pairs);
	else
		print_ends(r);
	printf("\nThe index closes at %.2f deg, +/- %.2f deg (95 %%)", deg, unit_deg(1.96 * r->sd_rad));
	if (isnan(file_rad))
		puts("; the engine file gives none.");
	else
		printf("; the engine file says %.2f deg.\n", unit_deg(file_rad));
	if (r->wheel_sd_rad > 0.5 * r->sd_rad)
		printf(
		    "Most of the doubt, +/- %.2f deg, is how unevenly the teeth may stand between dead "
		    "centre\n"
		    "and index; an index close to a dead centre, or a truer wheel, would be known better.\n",
		    unit_deg(1.96 * r->wheel_sd_rad));
	if (!r->way_told) {
		print_both_ways(r, deg, isnan(r->mirrored_rad) ? NAN : turn_deg(r->mirrored_rad));
		return;
	}
	printf("\n[teeth]\nindex angle = %.2f deg\n", deg);
}

static int run(const struct options *o, struct fault *f)
{
	struct ride *ride = ride_open(o->run, o->engine_file, o->rest_s, f);
	if (ride == NULL)
		return -1;
	struct engine e = *ride_engine(ride); /* shallow; only the index angle changes */
	double file_rad = e.index_rad;
	struct found r = {.off_rad = NAN};
	struct wheel *wheel = malloc(sizeof *wheel);
	int status = wheel == NULL ? fault_set(f, EX_OSERR, "out of memory") : 0;
	if (isnan(e.index_rad))
		e.index_rad = 0;
	for (int round = 0; round < ROUNDS && status == 0; round++) {
		status = one_round(ride, &e, o, wheel, &r, f);
		if (status != 0 || isnan(r.off_rad) || fabs(r.off_rad) < SETTLED)
			break;
		if (round + 1 < ROUNDS)
			e.index_rad -= r.off_rad;
	}
	if (status == 0)
		status = check(o, &r, f);
	if (status == 0)
		print_found(&e, ride_name(ride), file_rad, o, &r);
	free(wheel);
	ride_close(ride);
	return status;
}

static bool read_end(const char *text, struct options *o)
{
	for (enum engine_end end = END_CAP; end < END_COUNT; end++)
		if (strcmp(text, engine_end_name(end)) == 0) {
			o->stops = true;
			o->stops_end = end;
			return true;
		}
	return false;
}

int cmd_centre(int argc, char **argv)
{
	static const struct option options[] = {{"engine", required_argument, NULL, 'e'},
	                                        {"rest", required_argument, NULL, 'r'},
	                                        {"stops", required_argument, NULL, 's'},
	                                        {"help", no_argument, NULL, 'h'},
	                                        {NULL, 0, NULL, 0}};
	struct options o = {.rest_s = CLI_REST_S};
	struct fault f = {0};
	opterr = 0;
	optind = 1;
	for (int c; (c = getopt_long(argc, argv, "h", options, NULL)) != -1;) {
		if (c == 'h')
			return help();
		if (c == 'e')
			o.engine_file = optarg;
		else if (c == 's' && !read_end(optarg, &o))
			return cli_usage("centre", "--stops takes cap or rod, not \"%s\"", optarg);
		else if (c == 'r' && !cli_positive("centre", "--rest", optarg, &o.rest_s))
			return EX_USAGE;
		else if (c == '?')
			return cli_usage("centre", "unknown option %s", argv[optind - 1]);
	}
	if (argc - optind != 1)
		return cli_usage("centre", "name one run");
	o.run = argv[optind];
	if (run(&o, &f) != 0)
		return cli_fault("centre", &f);
	return cli_finish("centre");
}
