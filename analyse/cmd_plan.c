/* SPDX-License-Identifier: GPL-3.0-or-later */
/* trammel plan: the next timing. */
#include "analyse/analysis.h"
#include "analyse/cli.h"
#include "analyse/commands.h"
#include "analyse/plan.h"
#include "analyse/progress.h"
#include "analyse/write_out.h"
#include "common/unit.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define COMMAND "plan"
#define TANK_BAR 10.0 /* gauge, when nobody says how full */

struct choice {
	const char *const *run; /* of argv, in order; the last is the machine as it is now */
	size_t run_n;
	const char *load, *battery, *expansion, *leak;
	const char *engine, *goal, *supply, *tank, *grade, *friction, *conductance;
	const char *json, *csv, *ini, *header, *html;
	const char *delay[2 * ENGINE_VALVES_MAX], *what_if[PLAN_WHAT_IFS];
	struct cli_list delays, what_ifs;
	double speed_rpm, rest_s, inertia_kg_m2;
};

static int help(void)
{
	puts("usage: trammel plan RUN... [options]\n"
	     "       trammel plan --engine FILE --delay-ms ON[,OFF] [options]\n\n"
	     "The next timing: cut-off for each supply pressure, lead for each valve, what it\n"
	     "would change in work, air and useful angle, and how sure that is. Every timing is\n"
	     "tried with the measured valve delays before it is advised; the engine file's limits\n"
	     "are kept. Of several rides the last is the machine as it is now; the others add\n"
	     "what they know of its valves, at other pressures, speeds and battery voltages.\n"
	     "The second form is for a machine that has not run yet.\n\n"
	     "--goal GOAL         economy (the default: most work per air, friction taken off),\n"
	     "                    full-expansion, torque, or torque=NM (this torque, least air)\n"
	     "--speed RPM         plan for this speed (the ride's median)\n"
	     "--supply PRESSURE   and this supply, as \"4 bar\" on the regulator's gauge (the ride's)\n"
	     "--battery VOLTAGE   and this battery, as \"12.4 V\" (the ride's)\n"
	     "--friction PRESSURE mean pressure lost to friction, \"0.3 bar\" (from the ride, where\n"
	     "                    --load lets it tell)\n"
	     "--load TORQUE       what the ride worked against beside friction, at the crank, as\n"
	     "                    \"8 N m\"; 0 on a stand\n"
	     "--inertia J         of crank and flywheel, kg m2; with [drive] the vehicle's comes on top\n"
	     "--tank PRESSURE     tank when full, for the range (\"10 bar gauge\")\n"
	     "--grade PERCENT     uphill, for the road table, as \"2 %\"\n"
	     "--what-if SETTING   what would this change: \"cap cut-off = 70 deg\", crank angle at\n"
	     "                    which the valve moves; may be given several times.\n"
	     "                    In place of the whole plan: all else as it is now\n"
	     "--engine FILE       use this engine file instead of the one in the log\n"
	     "--rest SECONDS      a ride ends where the crank rests this long (60)\n\n"
	     "By hand, for a machine that has not run:\n"
	     "--delay-ms ON,OFF   command to half open, and to half shut; \"N:ON,OFF\" for valve N\n"
	     "--conductance C     sonic conductance of the passages, dm3/(s bar) (3)\n"
	     "--expansion N       index of expansion (1.3)\n"
	     "--leak C            leak of each end, dm3/(s bar) (0)\n\n"
	     "--ini FILE          the engine file with the new settings and leads\n"
	     "--header FILE.h     integer tables for the controller\n"
	     "--json FILE         every number, schema trammel.plan/1; - = standard output, in place\n"
	     "                    of the text (so for --ini, --header and --html)\n"
	     "--csv DIR           plan_cutoff.csv, plan_lead.csv, plan_tradeoff.csv, plan_drive.csv\n"
	     "--html FILE         one self-contained page\n\n"
	     "examples:\n"
	     "  trammel plan rides --goal torque=20 --ini next.ini\n"
	     "  trammel plan rides@1 rides@3 rides@4 --battery \"11.8 V\"\n"
	     "  trammel plan --engine sample-logs/number7.ini --delay-ms 22,28 --speed 90 --supply \"4 bar "
	     "gauge\"");
	return cli_finish(COMMAND);
}

/* --- the command line ---------------------------------------------------------- */

static int check_choice(const struct choice *o)
{
	bool by_hand = o->delays.n > 0 || o->conductance != NULL || o->expansion != NULL || o->leak != NULL;
	if (o->run_n > PLAN_RUNS_MAX)
		return cli_usage(COMMAND, "%d rides at most", PLAN_RUNS_MAX);
	if (o->run_n == 0 && (o->engine == NULL || o->delays.n == 0))
		return cli_usage(COMMAND,
		                 "name a ride, or give --engine FILE and --delay-ms for a machine that has "
		                 "not run yet");
	if (o->run_n > 0 && by_hand)
		return cli_usage(COMMAND, "--delay-ms, --conductance, --expansion and --leak are for a "
		                          "machine that has not run; a ride brings its own");
	if (o->run_n == 0 && (o->load != NULL || isfinite(o->inertia_kg_m2)))
		return cli_usage(COMMAND, "--load and --inertia tell what a ride worked against; without "
		                          "one give --friction");
	if (write_out_is_stdout(o->json) + write_out_is_stdout(o->html) + write_out_is_stdout(o->ini) +
	        write_out_is_stdout(o->header) >
	    1)
		return cli_usage(COMMAND, "only one of --json, --html, --ini and --header can go to standard "
		                          "output");
	return EX_OK;
}

static int take_options(struct choice *o, int argc, char **argv)
{
	const struct cli_option options[] = {
	    {"engine", CLI_TEXT, &o->engine},
	    {"goal", CLI_TEXT, &o->goal},
	    {"speed", CLI_POSITIVE, &o->speed_rpm},
	    {"supply", CLI_TEXT, &o->supply},
	    {"battery", CLI_TEXT, &o->battery},
	    {"friction", CLI_TEXT, &o->friction},
	    {"load", CLI_TEXT, &o->load},
	    {"inertia", CLI_POSITIVE, &o->inertia_kg_m2},
	    {"tank", CLI_TEXT, &o->tank},
	    {"grade", CLI_TEXT, &o->grade},
	    {"what-if", CLI_LIST, &o->what_ifs},
	    {"delay-ms", CLI_LIST, &o->delays},
	    {"conductance", CLI_TEXT, &o->conductance},
	    {"expansion", CLI_TEXT, &o->expansion},
	    {"leak", CLI_TEXT, &o->leak},
	    {"rest", CLI_POSITIVE, &o->rest_s},
	    {"json", CLI_TEXT, &o->json},
	    {"csv", CLI_TEXT, &o->csv},
	    {"ini", CLI_TEXT, &o->ini},
	    {"header", CLI_TEXT, &o->header},
	    {"html", CLI_TEXT, &o->html},
	};
	int operand,
	    code = cli_options(COMMAND, options, sizeof options / sizeof *options, argc, argv, &operand);
	if (code != EX_OK)
		return code;
	o->run = (const char *const *)argv + operand;
	o->run_n = (size_t)(argc - operand);
	return check_choice(o);
}

/* --- what the options mean ------------------------------------------------------- */

static int quantity(const char *option, const char *text, enum unit_dimension dim, double ambient_pa,
                    double *si, struct fault *f)
{
	char why[200];
	if (text == NULL || unit_parse(text, dim, ambient_pa, si, why, sizeof why) == 0)
		return 0;
	return fault_set(f, EX_USAGE, "%s \"%.60s\": %s", option, text, why);
}

/* A pressure as it is read off the regulator: a plain "4 bar" is gauge. */
static int gauge(const char *option, const char *text, double ambient_pa, double *si, struct fault *f)
{
	char why[200];
	double over_ambient;
	if (text != NULL && unit_parse(text, UNIT_PRESSURE, ambient_pa, si, why, sizeof why) != 0 &&
	    unit_parse(text, UNIT_PRESSURE_ABSOLUTE, 0, &over_ambient, why, sizeof why) == 0) {
		*si = ambient_pa + over_ambient;
		return 0;
	}
	return quantity(option, text, UNIT_PRESSURE, ambient_pa, si, f);
}

static int torque(const char *option, const char *text, double *nm, struct fault *f)
{
	const char *end = text != NULL ? unit_number(text, nm) : NULL;
	if (text == NULL)
		return 0;
	if (end != NULL)
		end += strspn(end, " ");
	if (end != NULL &&
	    (strcmp(end, "N m") == 0 || strcmp(end, "Nm") == 0 || (*nm == 0 && *end == '\0')) && *nm >= 0)
		return 0;
	return fault_set(f, EX_USAGE, "%s \"%.60s\": write a torque of 0 or more, for example 8 N m", option,
	                 text);
}

/* A bare number between two; `value` is left alone when there is no text. */
static int number(const char *option, const char *text, double low, double high, const char *what,
                  double *value, struct fault *f)
{
	double got;
	if (text == NULL)
		return 0;
	const char *end = unit_number(text, &got);
	if (end == NULL || *end != '\0' || !(got >= low && got <= high))
		return fault_set(f, EX_USAGE, "%s \"%.60s\": write %s, from %g to %g", option, text, what,
		                 low, high);
	*value = got;
	return 0;
}

static int read_goal(const char *text, struct plan_aim *aim, struct fault *f)
{
	const char *after;
	aim->goal = PLAN_ECONOMY;
	if (text == NULL)
		return 0;
	for (int g = 0; g < PLAN_CHOSEN_TORQUE; g++)
		if (strcmp(text, plan_goal_name((enum plan_goal)g)) == 0) {
			aim->goal = (enum plan_goal)g;
			return 0;
		}
	aim->goal = PLAN_CHOSEN_TORQUE;
	if (strncmp(text, "torque=", 7) == 0 &&
	    (after = unit_number(text + 7, &aim->net_torque_nm)) != NULL && *after == '\0' &&
	    aim->net_torque_nm > 0)
		return 0;
	return fault_set(
	    f, EX_USAGE,
	    "--goal is economy, full-expansion, torque or torque=NM (a number above zero, in N m), "
	    "not \"%.60s\"",
	    text);
}

static int read_what_ifs(const struct choice *o, struct plan_request *q, struct fault *f)
{
	char why[300];
	for (size_t i = 0; i < o->what_ifs.n; i++)
		if (plan_what_if_parse(o->what_if[i], &q->what_if[i], why, sizeof why) != 0)
			return fault_set(f, EX_USAGE, "--what-if \"%.60s\": %s", o->what_if[i], why);
	q->what_if_n = o->what_ifs.n;
	return 0;
}

static int read_request(const struct choice *o, const struct engine *e, struct plan_request *q,
                        struct fault *f)
{
	*q = (struct plan_request){.speed_rad_s = o->speed_rpm * UNIT_PI / 30,
	                           .supply_pa = NAN,
	                           .battery_v = NAN,
	                           .friction_pa = NAN,
	                           .load_nm = NAN,
	                           .inertia_kg_m2 = o->inertia_kg_m2,
	                           .tank_pa = e->ambient_pa + TANK_BAR * 1e5,
	                           .grade = NAN};
	if (read_goal(o->goal, &q->aim, f) != 0 ||
	    gauge("--supply", o->supply, e->ambient_pa, &q->supply_pa, f) != 0 ||
	    quantity("--battery", o->battery, UNIT_VOLTAGE, 0, &q->battery_v, f) != 0 ||
	    torque("--load", o->load, &q->load_nm, f) != 0 ||
	    gauge("--tank", o->tank, e->ambient_pa, &q->tank_pa, f) != 0 ||
	    quantity("--friction", o->friction, UNIT_PRESSURE_ABSOLUTE, 0, &q->friction_pa, f) != 0 ||
	    quantity("--grade", o->grade, UNIT_FRACTION, 0, &q->grade, f) != 0)
		return -1;
	if (isfinite(q->battery_v) && !(q->battery_v > 0))
		return fault_set(f, EX_USAGE, "--battery \"%.60s\": a battery has more than 0 V", o->battery);
	if (q->friction_pa < 0)
		return fault_set(f, EX_USAGE, "--friction \"%.60s\": friction cannot give work", o->friction);
	return read_what_ifs(o, q, f);
}

/* --- a machine by hand ------------------------------------------------------------ */

static int bad_delay(const char *text, struct fault *f)
{
	return fault_set(f, EX_USAGE,
	                 "--delay-ms \"%.60s\": write ON,OFF or N:ON,OFF with times in ms from 0 to 500, for "
	                 "example 22,28 or 2:25,30",
	                 text);
}

static int read_delay(const char *text, struct plan_by_hand *h, struct fault *f)
{
	double on, off, valve = -1;
	const char *s = text, *colon = strchr(text, ':');
	if (colon != NULL) {
		if (unit_number(text, &valve) != colon || !(valve >= 0 && valve < ENGINE_VALVES_MAX) ||
		    valve != floor(valve))
			return bad_delay(text, f);
		s = colon + 1;
	}
	s = unit_number(s, &on);
	off = on;
	if (s != NULL && *s == ',')
		s = unit_number(s + 1, &off);
	if (s == NULL || *s != '\0' || !(on >= 0 && on <= 500 && off >= 0 && off <= 500))
		return bad_delay(text, f);
	for (int v = 0; v < ENGINE_VALVES_MAX; v++)
		if (valve < 0 || v == (int)valve) {
			h->delay_on_s[v] = on * 1e-3;
			h->delay_off_s[v] = off * 1e-3;
		}
	return 0;
}

static int by_hand(const struct choice *o, const struct engine *e, struct plan_machine *m, struct fault *f)
{
	struct plan_by_hand h = {.delay_sd_s = 0.003, .n = PLAN_N};
	double c = PLAN_CONDUCTANCE * 1e8, leak = 0;
	for (size_t i = 0; i < o->delays.n; i++)
		if (read_delay(o->delay[i], &h, f) != 0)
			return -1;
	if (number("--conductance", o->conductance, 0.001, 1000, "a number in dm3/(s bar)", &c, f) != 0 ||
	    number("--expansion", o->expansion, 1, 1.45, "an index", &h.n, f) != 0 ||
	    number("--leak", o->leak, 0, 10, "a number in dm3/(s bar)", &leak, f) != 0)
		return -1;
	h.conductance_m3_s_pa = c * 1e-8;
	h.leak_m3_s_pa = leak * 1e-8;
	plan_machine_by_hand(e, &h, m);
	return 0;
}

/* --- out --------------------------------------------------------------------------- */

/* The search takes long: what cannot be written is said before it. */
static int check_places(const struct choice *o, struct fault *f)
{
	const char *file[] = {o->json, o->html, o->ini, o->header};
	for (size_t i = 0; i < sizeof file / sizeof *file; i++)
		if (write_out_check_file(file[i], f) != 0)
			return -1;
	return write_out_check_directory(o->csv, f);
}

static int write_file(const char *path, const struct plan *p, int (*render)(const struct plan *, FILE *),
                      struct fault *f)
{
	FILE *out = path != NULL ? write_out_open(path, f) : NULL;
	if (path == NULL)
		return 0;
	return out == NULL ? -1 : write_out_close(out, path, render(p, out), f);
}

static int write_all(const struct choice *o, const struct plan *p, struct fault *f)
{
	if (o->csv != NULL && plan_csv(p, o->csv, f) != 0)
		return -1;
	if (write_file(o->json, p, plan_json, f) != 0 || write_file(o->html, p, plan_html, f) != 0 ||
	    write_file(o->ini, p, plan_ini, f) != 0 || write_file(o->header, p, plan_header, f) != 0)
		return -1;
	if (write_out_is_stdout(o->json) || write_out_is_stdout(o->html) || write_out_is_stdout(o->ini) ||
	    write_out_is_stdout(o->header))
		return 0;
	return plan_text(p, stdout);
}

/* --- the road ---------------------------------------------------------------------- */

struct work { /* everything big, in one piece */
	struct plan_machine machine;
	struct plan plan;
};

/* The tables are most of the work; a single question, or the engine file, does without. */
static bool wants_tables(const struct choice *o)
{
	bool file = o->json != NULL || o->csv != NULL || o->html != NULL || o->header != NULL;
	return file || (o->what_ifs.n == 0 && !write_out_is_stdout(o->ini));
}

static int plan_it(const struct choice *o, struct work *w, const struct resistance *r, struct fault *f)
{
	struct plan_request request;
	if (read_request(o, &w->machine.engine, &request, f) != 0)
		return -1;
	plan_friction_settle(&w->machine, r, &request);
	if (plan_make(&w->machine, &request, &w->plan, f) != 0)
		return -1;
	if (wants_tables(o))
		plan_tables(&w->plan);
	return write_all(o, &w->plan, f);
}

struct rides { /* as they are read, one after the other */
	size_t n, at;
	struct plan_learn *learn[PLAN_RUNS_MAX];
	struct plan_machine *machine[PLAN_RUNS_MAX];
	struct report *report;
	struct ride *last; /* stays open: the plan writes its engine file */
	struct analysis_sink teach;
	struct progress progress;
};

static int teach(void *ctx, const struct analysis_rows *rows, struct fault *f)
{
	struct rides *r = ctx;
	return r->teach.rows(r->teach.ctx, rows, f);
}

static void note_progress(void *ctx, double done)
{
	struct rides *r = ctx;
	if (r->at > 0 && isnan(done))
		done = 0;
	progress_note(&r->progress, ((double)r->at + done) / (double)r->n);
}

static int read_ride(const struct choice *o, struct rides *r, struct fault *f)
{
	struct ride *ride = ride_open_unlisted(o->run[r->at], o->engine, o->rest_s, f);
	if (ride == NULL)
		return -1;
	plan_learn_start(r->learn[r->at], ride_engine(ride));
	r->teach = plan_learn_sink(r->learn[r->at]);
	const struct analysis_sink sink = {.ctx = r, .rows = teach, .progress = note_progress};
	int status = analysis_run(ride, &sink, r->report, f);
	if (status == 0 && r->report->held_back != NULL)
		status =
		    fault_set(f, EX_DATAERR,
		              "%s: no plan: %s. By the angles of this ride the air brakes the crank; its "
		              "report says what may be wrong, and trammel centre finds the index angle.",
		              o->run[r->at], r->report->held_back);
	if (status == 0) {
		plan_machine_from_report(r->report, r->learn[r->at], r->machine[r->at]);
		plan_fit(r->machine[r->at]);
	}
	if (status == 0 && r->at + 1 == r->n) {
		r->last = ride;
		return 0;
	}
	r->machine[r->at]->engine.source = NULL; /* goes with the ride */
	ride_close(ride);
	return status;
}

static int read_rides(const struct choice *o, struct rides *r, struct plan_machine *out, struct fault *f)
{
	struct plan_lesson lesson[PLAN_RUNS_MAX];
	int status = 0;
	r->progress = progress_start();
	for (r->at = 0; status == 0 && r->at < r->n; r->at++) {
		status = read_ride(o, r, f);
		lesson[r->at] = (struct plan_lesson){r->machine[r->at], r->learn[r->at]};
	}
	progress_end(&r->progress);
	return status == 0 ? plan_pool(lesson, r->n, out, f) : -1;
}

static int from_rides(const struct choice *o, struct work *w, struct fault *f)
{
	struct rides r = {.n = o->run_n, .report = malloc(sizeof *r.report)};
	bool room = r.report != NULL;
	for (size_t i = 0; i < r.n; i++) {
		r.learn[i] = malloc(sizeof *r.learn[i]);
		r.machine[i] = malloc(sizeof *r.machine[i]);
		room = room && r.learn[i] != NULL && r.machine[i] != NULL;
	}
	int status = room ? read_rides(o, &r, &w->machine, f) : fault_set(f, EX_OSERR, "out of memory");
	if (status == 0)
		status = plan_it(o, w, &r.learn[r.n - 1]->resistance, f);
	for (size_t i = 0; i < r.n; i++) {
		free(r.learn[i]);
		free(r.machine[i]);
	}
	free(r.report);
	ride_close(r.last);
	return status;
}

static int from_hand(const struct choice *o, struct work *w, struct fault *f)
{
	struct engine e;
	if (engine_read(o->engine, &e, f) != 0)
		return -1;
	int status = by_hand(o, &e, &w->machine, f) == 0 ? plan_it(o, w, NULL, f) : -1;
	engine_free(&e);
	return status;
}

int cmd_plan(int argc, char **argv)
{
	if (cli_wants_help(argc, argv))
		return help();
	struct choice o = {.speed_rpm = NAN, .rest_s = CLI_REST_S, .inertia_kg_m2 = NAN};
	struct fault f = {0};
	o.delays = (struct cli_list){o.delay, 0, sizeof o.delay / sizeof *o.delay};
	o.what_ifs = (struct cli_list){o.what_if, 0, sizeof o.what_if / sizeof *o.what_if};
	int code = take_options(&o, argc, argv);
	if (code != EX_OK)
		return code;
	if (check_places(&o, &f) != 0)
		return cli_fault(COMMAND, &f);
	struct work *w = calloc(1, sizeof *w);
	if (w == NULL)
		fault_set(&f, EX_OSERR, "out of memory");
	else if (o.run_n > 0)
		from_rides(&o, w, &f);
	else
		from_hand(&o, w, &f);
	free(w);
	return f.exit_code != 0 ? cli_fault(COMMAND, &f) : cli_finish(COMMAND);
}
