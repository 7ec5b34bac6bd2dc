/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/engine.h"
#include "common/engine_check.h"
#include "common/engine_ini.h"
#include "common/engine_table.h"
#include "common/unit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define STANDARD_AIR_K 288.15 /* ISO 2533 */

/* Everything a parse needs; passed down instead of a row of arguments. */
struct build {
	const struct engine_ini *ini;
	struct engine *e;
	struct fault *fault;
	const struct ini_entry *folded[ENGINE_SENSORS_MAX]; /* `table = FILE` keys, and what they held */
	struct point_list *points[ENGINE_SENSORS_MAX];
};

/* A key that holds one number with a unit.  `least` and `most` are what any
 * engine can have; they catch a slip in the unit ("63 m"). */
struct quantity {
	enum ini_kind kind;
	const char *key;
	enum unit_dimension dim;
	size_t offset; /* of the double in struct engine (or struct engine_valve) */
	bool required;
	const char *least, *most;
};

#define FIELD(f) offsetof(struct engine, f)

/* Ambient comes first: gauge pressures need it. */
static const struct quantity quantities[] = {
    {INI_ENGINE, "ambient", UNIT_PRESSURE_ABSOLUTE, FIELD(ambient_pa), false, "500 mbar", "1200 mbar"},
    {INI_ENGINE, "air temperature", UNIT_TEMPERATURE, FIELD(air_k), false, "-60 degC", "80 degC"},
    {INI_ENGINE, "pivot distance", UNIT_LENGTH, FIELD(pivot_distance_m), false, "1 mm", "20 m"},
    {INI_ENGINE, "rod length", UNIT_LENGTH, FIELD(rod_length_m), false, "1 mm", "20 m"},
    {INI_ENGINE, "offset", UNIT_LENGTH, FIELD(offset_m), false, "-5 m", "5 m"},
    {INI_ENGINE, "crank radius", UNIT_LENGTH, FIELD(crank_radius_m), true, "0.5 mm", "5 m"},
    {INI_ENGINE, "bore", UNIT_LENGTH, FIELD(bore_m), true, "1 mm", "3 m"},
    {INI_ENGINE, "rod", UNIT_LENGTH, FIELD(rod_m), false, "0.1 mm", "1 m"},
    {INI_ENGINE, "clearance cap", UNIT_VOLUME, FIELD(clearance_m3[END_CAP]), true, "0.001 ml", "1 m3"},
    {INI_ENGINE, "clearance rod", UNIT_VOLUME, FIELD(clearance_m3[END_ROD]), false, "0.001 ml", "1 m3"},
    {INI_TEETH, "index angle", UNIT_ANGLE, FIELD(index_rad), false, "0 deg", "360 deg"},
    {INI_TEETH, "crank ratio", UNIT_COUNT, FIELD(crank_ratio), false, "0.001", "1000"},
    {INI_LIMITS, "supply", UNIT_PRESSURE, FIELD(limit_supply_pa), false, "0 bar absolute",
     "400 bar absolute"},
    {INI_LIMITS, "speed", UNIT_SPEED, FIELD(limit_speed_rad_s), false, "1 rpm", "50000 rpm"},
    {INI_LIMITS, "rod force", UNIT_FORCE, FIELD(limit_rod_force_n), false, "0.1 N", "10000 kN"},
    {INI_DRIVE, "crank sprocket", UNIT_COUNT, FIELD(crank_sprocket), false, "1", "1000"},
    {INI_DRIVE, "wheel sprocket", UNIT_COUNT, FIELD(wheel_sprocket), false, "1", "1000"},
    {INI_DRIVE, "wheel diameter", UNIT_LENGTH, FIELD(wheel_diameter_m), false, "5 mm", "10 m"},
    {INI_DRIVE, "mass", UNIT_MASS, FIELD(mass_kg), false, "0.01 kg", "1000 t"},
    {INI_TANK, "volume", UNIT_VOLUME, FIELD(tank_m3), true, "0.001 l", "1000 m3"},
};

static const struct quantity valve_quantities[] = {
    {INI_VALVE, "opens", UNIT_ANGLE, offsetof(struct engine_valve, opens_rad), false, "0 deg", "360 deg"},
    {INI_VALVE, "shuts", UNIT_ANGLE, offsetof(struct engine_valve, shuts_rad), false, "0 deg", "360 deg"},
    {INI_VALVE, "lead open", UNIT_TIME, offsetof(struct engine_valve, lead_open_s), false, "0 ms", "1 s"},
    {INI_VALVE, "lead shut", UNIT_TIME, offsetof(struct engine_valve, lead_shut_s), false, "0 ms", "1 s"},
};

static int entry_fault(const struct build *b, const struct ini_entry *entry, const char *why)
{
	return engine_ini_fault(b->ini->name, entry->line, b->fault, "'%s': %s", entry->key, why);
}

static int lacks(const struct build *b, enum ini_kind kind, int number, const char *key, const char *example)
{
	return engine_ini_fault(b->ini->name, engine_ini_line(b->ini, kind, number, key), b->fault,
	                        "this section lacks '%s'; add for example '%s = %s'", key, key, example);
}

static double limit_si(const char *text, enum unit_dimension dim)
{
	double si = NAN;
	char why[160];
	unit_parse(text, dim, 0, &si, why, sizeof why);
	return si;
}

static int check_range(const struct build *b, const struct ini_entry *entry, const struct quantity *q,
                       double si)
{
	/* A whisker of slack: 360 deg and its conversion may differ in the last digit. */
	double least = limit_si(q->least, q->dim), most = limit_si(q->most, q->dim);
	double slack = 1e-12 * (fabs(least) + fabs(most));
	if (si >= least - slack && si <= most + slack)
		return 0;
	return engine_ini_fault(b->ini->name, entry->line, b->fault,
	                        "'%s' is %s; it should lie from %s to %s (check sign and unit)", entry->key,
	                        entry->value, q->least, q->most);
}

static int read_quantity(const struct build *b, int number, const struct quantity *q, void *base)
{
	const struct ini_entry *entry = engine_ini_find(b->ini, q->kind, number, q->key);
	double si;
	char why[160];
	if (entry == NULL && q->required && engine_ini_has(b->ini, q->kind, number))
		return lacks(b, q->kind, number, q->key, unit_example(q->dim));
	if (entry == NULL)
		return 0;
	if (unit_parse(entry->value, q->dim, b->e->ambient_pa, &si, why, sizeof why) != 0)
		return entry_fault(b, entry, why);
	if (check_range(b, entry, q, si) != 0)
		return -1;
	memcpy((char *)base + q->offset, &si, sizeof si);
	return 0;
}

static int read_quantities(const struct build *b)
{
	for (size_t i = 0; i < sizeof quantities / sizeof *quantities; i++)
		if (read_quantity(b, 0, &quantities[i], b->e) != 0)
			return -1;
	return 0;
}

/* Position of a value in a list of words; -1 when it is none of them. */
static int word_index(const char *text, size_t len, const char *const *words, size_t n)
{
	for (size_t i = 0; i < n; i++)
		if (engine_ini_same_words(text, len, words[i]))
			return (int)i;
	return -1;
}

/* A key whose value is one of two or three words; *index stays when absent. */
static int read_word(const struct build *b, enum ini_kind kind, int number, const char *key,
                     const char *const *words, size_t n, int *index)
{
	const struct ini_entry *entry = engine_ini_find(b->ini, kind, number, key);
	if (entry == NULL)
		return 0;
	*index = word_index(entry->value, strlen(entry->value), words, n);
	if (*index >= 0)
		return 0;
	return engine_ini_fault(
	    b->ini->name, entry->line, b->fault, "'%s' cannot be '%.40s'; write '%s' or '%s'%s%s%s", key,
	    entry->value, words[0], words[1], n > 2 ? " or '" : "", n > 2 ? words[2] : "", n > 2 ? "'" : "");
}

static int read_engine(const struct build *b)
{
	static const char *const mechanisms[] = {"oscillating cylinder", "crosshead"};
	const struct ini_entry *name = engine_ini_find(b->ini, INI_ENGINE, 0, "name");
	int mechanism = -1;
	if (!engine_ini_has(b->ini, INI_ENGINE, 0))
		return engine_ini_fault(b->ini->name, 1, b->fault,
		                        "the section [engine] is missing; it says what the machine is");
	if (name == NULL)
		return lacks(b, INI_ENGINE, 0, "name", "Number 7 trolley");
	if (strlen(name->value) > ENGINE_NAME_MAX)
		return entry_fault(b, name, "longer than 80 bytes; shorten it");
	strcpy(b->e->name, name->value);
	if (read_word(b, INI_ENGINE, 0, "mechanism", mechanisms, 2, &mechanism) != 0)
		return -1;
	if (mechanism < 0)
		return lacks(b, INI_ENGINE, 0, "mechanism", mechanisms[0]);
	b->e->mechanism = (enum engine_mechanism)mechanism;
	if (b->e->mechanism == MECHANISM_CROSSHEAD)
		b->e->offset_m = 0;
	return 0;
}

static int read_teeth(const struct build *b)
{
	static const char *const edges[] = {"rising", "falling", "both"};
	const struct ini_entry *count = engine_ini_find(b->ini, INI_TEETH, 0, "count");
	static const char *const ways[] = {"behind", "ahead"}, *const winds[] = {"none", "fitted"};
	int edge = -1, way = -1, wind = -1;
	double n;
	char why[160];
	if (!engine_ini_has(b->ini, INI_TEETH, 0))
		return 0;
	if (count == NULL)
		return lacks(b, INI_TEETH, 0, "count", "36");
	if (unit_parse(count->value, UNIT_COUNT, 0, &n, why, sizeof why) != 0)
		return entry_fault(b, count, why);
	if (!(n >= 1 && n <= 10000) || n != floor(n))
		return entry_fault(b, count, "a wheel has a whole number of teeth, from 1 to 10000");
	b->e->tooth_count = (unsigned)n;
	if (read_word(b, INI_TEETH, 0, "edges", edges, 3, &edge) != 0)
		return -1;
	if (edge < 0)
		return lacks(b, INI_TEETH, 0, "edges", "both");
	b->e->edges = (enum engine_edges)edge;
	if (read_word(b, INI_TEETH, 0, "second channel", ways, 2, &way) != 0)
		return -1;
	b->e->second_channel = way == 0 ? 1 : way == 1 ? -1 : 0;
	if (read_word(b, INI_TEETH, 0, "chain wind-up", winds, 2, &wind) != 0)
		return -1;
	b->e->wind_up = wind == 1;
	return 0;
}

static unsigned passage_of(const char *text, size_t len)
{
	static const enum engine_passage all[] = {PASSAGE_CAP_INLET, PASSAGE_CAP_EXHAUST, PASSAGE_ROD_INLET,
	                                          PASSAGE_ROD_EXHAUST};
	for (size_t i = 0; i < sizeof all / sizeof *all; i++)
		if (engine_ini_same_words(text, len, engine_passage_name(all[i])))
			return all[i];
	return 0;
}

/* "cap inlet, rod exhaust" to bits. */
static int read_passages(const struct build *b, const struct ini_entry *role, unsigned *passages)
{
	*passages = 0;
	for (const char *p = role->value;; p++) {
		size_t n = strcspn(p, ",");
		unsigned one = passage_of(p, n);
		if (one == 0 || (*passages & one) != 0)
			return engine_ini_fault(
			    b->ini->name, role->line, b->fault,
			    "'%.*s' is %s; a valve's role is one or two of cap inlet, cap exhaust, rod "
			    "inlet, rod exhaust, separated by a comma",
			    (int)(n < 40 ? n : 40), p, one == 0 ? "no passage" : "there twice");
		*passages |= one;
		p += n;
		if (*p == '\0')
			return 0;
	}
}

/* What the valve opens while its coil is off. */
static int read_rest_role(const struct build *b, int number, bool rest_open, struct engine_valve *v)
{
	const struct ini_entry *role = engine_ini_find(b->ini, INI_VALVE, number, "rest role");
	if (role == NULL)
		return 0;
	if (read_passages(b, role, &v->rest_passages) != 0)
		return -1;
	if (rest_open)
		return entry_fault(b, role,
		                   "goes with a valve whose coil opens its role; take out 'rest = open'");
	if ((v->passages & v->rest_passages) != 0)
		return entry_fault(
		    b, role, "a passage cannot be open with the coil on ('role') and off ('rest role')");
	v->passages |= v->rest_passages;
	return 0;
}

static int read_valve(const struct build *b, int number)
{
	static const char *const rests[] = {"shut", "open"};
	struct engine_valve *v = &b->e->valve[number];
	const struct ini_entry *role = engine_ini_find(b->ini, INI_VALVE, number, "role");
	int rest = 0;
	if (!engine_ini_has(b->ini, INI_VALVE, number))
		return 0;
	if (role == NULL)
		return lacks(b, INI_VALVE, number, "role", "cap inlet");
	if (read_passages(b, role, &v->passages) != 0 ||
	    read_word(b, INI_VALVE, number, "rest", rests, 2, &rest) != 0 ||
	    read_rest_role(b, number, rest == 1, v) != 0)
		return -1;
	v->present = true;
	v->rest_open = rest == 1;
	for (size_t i = 0; i < sizeof valve_quantities / sizeof *valve_quantities; i++)
		if (read_quantity(b, number, &valve_quantities[i], v) != 0)
			return -1;
	return 0;
}

static enum unit_dimension sensor_dimension(enum engine_sensor_role role)
{
	if (role == SENSOR_BATTERY)
		return UNIT_VOLTAGE;
	if (role == SENSOR_COIL)
		return UNIT_CURRENT;
	return role == SENSOR_THROTTLE ? UNIT_FRACTION : UNIT_PRESSURE;
}

/* A file named by the engine file lies beside it. */
static int table_path(const struct build *b, const struct ini_entry *table, char *path, size_t size)
{
	const char *slash = strrchr(b->ini->name, '/');
	int folder = slash != NULL && table->value[0] != '/' ? (int)(slash + 1 - b->ini->name) : 0;
	int n = snprintf(path, size, "%.*s%s", folder, b->ini->name, table->value);
	return n >= 0 && (size_t)n < size ? 0 : entry_fault(b, table, "the path of the file is too long");
}

static int read_table_file(const struct build *b, const struct ini_entry *table, char *path, size_t size,
                           struct point_list *list)
{
	struct fault why = {0};
	if (table_path(b, table, path, size) != 0)
		return -1;
	if (engine_table_read(path, list, &why) == 0)
		return 0;
	if (why.exit_code != EX_CONFIG) /* the mistake is in the engine file, not in the table */
		return fault_set(b->fault, why.exit_code, "%s:%d: 'table': %s", b->ini->name, table->line,
		                 why.text);
	return fault_set(b->fault, why.exit_code, "%s", why.text);
}

static int add_inline_points(const struct build *b, int number, struct point_list *list)
{
	for (size_t i = 0; i < b->ini->entry_count; i++) {
		const struct ini_entry *entry = &b->ini->entries[i];
		if (entry->section.kind == INI_SENSOR && entry->section.number == number &&
		    entry->continued &&
		    engine_table_add(list, b->ini->name, entry->line, entry->value, b->fault) != 0)
			return -1;
	}
	return 0;
}

static int read_table(struct build *b, int number, const struct ini_entry *table, struct point_list *list,
                      enum unit_dimension dim)
{
	struct engine_sensor *s = &b->e->sensor[number];
	char path[4096];
	const char *source = b->ini->name;
	bool in_file = strcmp(table->value, "points") != 0;
	if (add_inline_points(b, number, list) != 0)
		return -1;
	if (in_file && list->count > 0)
		return entry_fault(b, table,
		                   "write 'table = points' above points, or 'table = FILE' without points");
	if (in_file && read_table_file(b, table, path, sizeof path, list) != 0)
		return -1;
	if (in_file)
		source = path;
	if (list->count < 2)
		return engine_ini_fault(source, in_file ? 1 : table->line, b->fault,
		                        "a table needs two points or more; this one has %zu", list->count);
	b->folded[number] = in_file ? table : NULL;
	return engine_table_values(list, source, dim, b->e->ambient_pa, s, b->fault);
}

static int read_line_points(const struct build *b, int number, struct point_list *list,
                            enum unit_dimension dim)
{
	static const char *const keys[] = {"low", "high"};
	for (int i = 0; i < 2; i++) {
		const struct ini_entry *entry = engine_ini_find(b->ini, INI_SENSOR, number, keys[i]);
		char example[64];
		snprintf(example, sizeof example, "%s, %s", unit_example(UNIT_COUNTS), unit_example(dim));
		if (entry == NULL)
			return lacks(b, INI_SENSOR, number, keys[i], example);
		if (engine_table_add(list, b->ini->name, entry->line, entry->value, b->fault) != 0)
			return -1;
	}
	return engine_table_values(list, b->ini->name, dim, b->e->ambient_pa, &b->e->sensor[number],
	                           b->fault);
}

static int sensor_role(const struct build *b, int number, enum engine_sensor_role *role)
{
	const struct ini_entry *entry = engine_ini_find(b->ini, INI_SENSOR, number, "role");
	if (entry == NULL)
		return lacks(b, INI_SENSOR, number, "role", "supply");
	for (int i = SENSOR_SUPPLY; i <= SENSOR_COIL; i++) {
		*role = (enum engine_sensor_role)i;
		if (i != SENSOR_ROLE_END && strcmp(entry->value, engine_sensor_role_name(*role)) == 0)
			return 0;
	}
	return engine_ini_fault(
	    b->ini->name, entry->line, b->fault,
	    "'%.40s' is no role of a sensor; write supply, tank, cap, rod, battery, throttle or coil current",
	    entry->value);
}

/* Whose coil's current it is: a coil's sensor says so, no other does. */
static int sensor_valve(const struct build *b, int number, struct engine_sensor *s)
{
	const struct ini_entry *entry = engine_ini_find(b->ini, INI_SENSOR, number, "valve");
	char why[200];
	double valve;
	if (s->role != SENSOR_COIL)
		return entry == NULL ? 0
		                     : entry_fault(b, entry, "only a sensor of coil current names a valve");
	if (entry == NULL)
		return lacks(b, INI_SENSOR, number, "valve", "0");
	if (unit_parse(entry->value, UNIT_COUNT, b->e->ambient_pa, &valve, why, sizeof why) != 0)
		return entry_fault(b, entry, why);
	if (!(valve >= 0 && valve < ENGINE_VALVES_MAX) || valve != floor(valve))
		return entry_fault(b, entry, "no such valve; write the number of a [valve N]");
	s->valve = (unsigned)valve;
	return 0;
}

static int read_sensor(struct build *b, int number)
{
	struct engine_sensor *s = &b->e->sensor[number];
	const struct ini_entry *table = engine_ini_find(b->ini, INI_SENSOR, number, "table");
	if (!engine_ini_has(b->ini, INI_SENSOR, number))
		return 0;
	if (sensor_role(b, number, &s->role) != 0 || sensor_valve(b, number, s) != 0)
		return -1;
	b->points[number] = calloc(1, sizeof *b->points[number]);
	if (b->points[number] == NULL)
		return fault_set(b->fault, EX_OSERR, "out of memory");
	if (table == NULL)
		return read_line_points(b, number, b->points[number], sensor_dimension(s->role));
	if (engine_ini_find(b->ini, INI_SENSOR, number, "low") != NULL ||
	    engine_ini_find(b->ini, INI_SENSOR, number, "high") != NULL)
		return entry_fault(b, table, "a sensor has either a table or 'low' and 'high'; take one out");
	return read_table(b, number, table, b->points[number], sensor_dimension(s->role));
}

static void set_unknown(struct engine *e)
{
	*e = (struct engine){.ambient_pa = 101325, .air_k = STANDARD_AIR_K, .crank_ratio = 1};
	for (size_t i = 0; i < sizeof quantities / sizeof *quantities; i++) {
		double *field = (double *)(void *)((char *)e + quantities[i].offset);
		if (*field == 0)
			*field = NAN;
	}
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		e->valve[i].opens_rad = e->valve[i].shuts_rad = NAN;
}

static int read_all(struct build *b)
{
	if (read_engine(b) != 0 || read_quantities(b) != 0 || read_teeth(b) != 0)
		return -1;
	for (int i = 0; i < ENGINE_VALVES_MAX; i++)
		if (read_valve(b, i) != 0)
			return -1;
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		if (read_sensor(b, i) != 0)
			return -1;
	return engine_check(b->e, b->ini, b->fault);
}

/* Bottom line first, so that the line numbers above stay right. */
static int fold_tables(struct build *b, char **text, size_t *len)
{
	for (;;) {
		int last = -1;
		for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
			if (b->folded[i] != NULL && (last < 0 || b->folded[i]->line > b->folded[last]->line))
				last = i;
		if (last < 0)
			return 0;
		if (engine_table_fold(b->points[last], b->folded[last]->line, text, len) != 0)
			return -1;
		b->folded[last] = NULL;
	}
}

static int keep_source(struct build *b, const char *text, size_t len)
{
	b->e->source = strndup(text, len); /* without zero bytes: engine_ini_read refuses them */
	b->e->source_len = len;
	if (b->e->source == NULL || fold_tables(b, &b->e->source, &b->e->source_len) != 0)
		return fault_set(b->fault, EX_OSERR, "%s: out of memory", b->ini->name);
	if (b->e->source_len > INI_TEXT_MAX)
		return engine_ini_fault(b->ini->name, 1, b->fault,
		                        "the engine file is %zu bytes long with its tables; %d is the most",
		                        b->e->source_len, INI_TEXT_MAX);
	return 0;
}

int engine_parse(const char *name, const char *text, size_t len, struct engine *e, struct fault *fault)
{
	struct engine_ini ini;
	struct build b = {.ini = &ini, .e = e, .fault = fault};
	set_unknown(e);
	int bad = engine_ini_read(name, text, len, &ini, fault);
	if (bad == 0)
		bad = read_all(&b);
	if (bad == 0)
		bad = keep_source(&b, text, len);
	for (int i = 0; i < ENGINE_SENSORS_MAX; i++)
		free(b.points[i]);
	engine_ini_free(&ini);
	if (bad != 0)
		engine_free(e);
	return bad;
}

int engine_read(const char *path, struct engine *e, struct fault *fault)
{
	char *text;
	size_t len;
	*e = (struct engine){0};
	if (engine_text_load(path, INI_TEXT_MAX, &text, &len, fault) != 0)
		return -1;
	int bad = engine_parse(path, text, len, e, fault);
	free(text);
	return bad;
}

void engine_free(struct engine *e)
{
	free(e->source);
	e->source = NULL;
	e->source_len = 0;
}
