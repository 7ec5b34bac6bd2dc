/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/engine_table.h"
#include "common/engine_ini.h"

#include <csv.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define CELL_MAX 31

/* One line of the CSV file as libcsv hands it over. */
struct row {
	char cell[2][CELL_MAX + 1];
	size_t cells;
	bool cut; /* a cell was longer than any number or unit */
};

int engine_text_load(const char *path, size_t max, char **text, size_t *len, struct fault *fault)
{
	FILE *f = fopen(path, "re");
	if (f == NULL)
		return fault_set(fault, EX_NOINPUT, "%s: cannot be opened: %s", path, strerror(errno));
	char *buffer = malloc(max + 2); /* one byte more than allowed shows that there is more */
	size_t n = buffer != NULL ? fread(buffer, 1, max + 1, f) : 0;
	int read_errno = ferror(f) ? errno : 0;
	fclose(f);
	if (buffer != NULL && read_errno == 0 && n <= max) {
		buffer[n] = '\0';
		*text = buffer;
		*len = n;
		return 0;
	}
	free(buffer);
	if (buffer == NULL)
		return fault_set(fault, EX_OSERR, "%s: out of memory", path);
	if (read_errno != 0)
		return fault_set(fault, EX_IOERR, "%s: cannot be read: %s", path, strerror(read_errno));
	return fault_set(fault, EX_CONFIG, "%s:1: is larger than %zu bytes; is it the right file?", path,
	                 max);
}

int engine_table_add(struct point_list *list, const char *name, int line, const char *text,
                     struct fault *fault)
{
	if (list->count == ENGINE_TABLE_MAX)
		return engine_ini_fault(name, line, fault, "a table has at most %d points; take some out",
		                        ENGINE_TABLE_MAX);
	if (strlen(text) > TABLE_POINT_TEXT_MAX)
		return engine_ini_fault(name, line, fault,
		                        "too long for a point; write for example '102 counts, 0 bar gauge'");
	strcpy(list->text[list->count], text);
	list->line[list->count++] = line;
	return 0;
}

static void take_cell(void *data, size_t len, void *user)
{
	struct row *row = user;
	if (row->cells < 2)
		snprintf(row->cell[row->cells], sizeof row->cell[0], "%.*s", (int)len, (const char *)data);
	row->cut |= len > CELL_MAX;
	row->cells++;
}

static void take_end(int c, void *user)
{
	(void)c;
	(void)user;
}

/* Each line goes through libcsv on its own, so that its number is known. */
static int parse_row(const char *line, size_t len, struct row *row)
{
	struct csv_parser parser;
	*row = (struct row){0};
	if (csv_init(&parser, CSV_STRICT | CSV_STRICT_FINI | CSV_APPEND_NULL) != 0)
		return -1;
	bool good = csv_parse(&parser, line, len, take_cell, take_end, row) == len &&
	            csv_fini(&parser, take_cell, take_end, row) == 0;
	csv_free(&parser);
	return good ? 0 : -1;
}

/* "counts,bar_gauge" -> "bar gauge". */
static int take_header(const struct row *row, const char *path, int line, char *unit, struct fault *fault)
{
	if (row->cells != 2 || strcmp(row->cell[0], "counts") != 0 || row->cell[1][0] == '\0')
		return engine_ini_fault(path, line, fault,
		                        "the header should name two columns and the unit, for example "
		                        "'counts,bar_gauge'");
	strcpy(unit, row->cell[1]);
	for (char *p = unit; *p != '\0'; p++)
		if (*p == '_')
			*p = ' ';
	return 0;
}

static int take_row(const struct row *row, const char *path, int line, const char *unit,
                    struct point_list *list, struct fault *fault)
{
	char point[2 * CELL_MAX + CELL_MAX + 16];
	if (row->cells != 2)
		return engine_ini_fault(
		    path, line, fault,
		    "%zu columns instead of 2; write counts and value, separated by a comma", row->cells);
	snprintf(point, sizeof point, "%s counts, %s %s", row->cell[0], row->cell[1], unit);
	return engine_table_add(list, path, line, point, fault);
}

static int read_rows(const char *path, const char *text, size_t len, struct point_list *list,
                     struct fault *fault)
{
	char unit[CELL_MAX + 1] = "";
	int line = 0;
	size_t mark = len >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0 ? 3 : 0; /* byte order mark */
	for (size_t pos = mark, n; pos < len; pos += n + 1) {
		struct row row;
		n = strcspn(text + pos, "\n");
		line++;
		if (n == 0 || text[pos] == '#' || text[pos] == '\r')
			continue;
		if (parse_row(text + pos, n, &row) != 0)
			return engine_ini_fault(path, line, fault, "the quotes of this line do not match");
		if (row.cut)
			return engine_ini_fault(path, line, fault, "a cell has more than %d characters",
			                        CELL_MAX);
		int bad = unit[0] == '\0' ? take_header(&row, path, line, unit, fault)
		                          : take_row(&row, path, line, unit, list, fault);
		if (bad != 0)
			return -1;
	}
	return 0;
}

int engine_table_read(const char *path, struct point_list *list, struct fault *fault)
{
	char *text;
	size_t len;
	if (engine_text_load(path, INI_TEXT_MAX, &text, &len, fault) != 0)
		return -1;
	/* Its points go into the text that every segment keeps, and must be text as that is. */
	int bad = engine_ini_check_text(path, text, len, fault);
	if (bad == 0)
		bad = read_rows(path, text, len, list, fault);
	free(text);
	return bad;
}

/* "102 counts, 0 bar gauge" to numbers. */
static int parse_point(const char *text, enum unit_dimension dim, double ambient_pa, double *counts,
                       double *value, char *why, size_t why_size)
{
	const char *comma = strchr(text, ',');
	char left[TABLE_POINT_TEXT_MAX + 1];
	snprintf(left, sizeof left, "%.*s", (int)(comma != NULL ? comma - text : (long)strlen(text)), text);
	if (unit_parse(left, UNIT_COUNTS, ambient_pa, counts, why, why_size) != 0)
		return -1;
	if (comma == NULL) {
		snprintf(why, why_size, "the value after the counts is missing; write for example '%s, %s'",
		         unit_example(UNIT_COUNTS), unit_example(dim));
		return -1;
	}
	return unit_parse(comma + 1, dim, ambient_pa, value, why, why_size);
}

static void swap_points(struct engine_sensor *s)
{
	double counts = s->counts[0], value = s->value[0];
	s->counts[0] = s->counts[1];
	s->value[0] = s->value[1];
	s->counts[1] = counts;
	s->value[1] = value;
}

int engine_table_values(const struct point_list *list, const char *name, enum unit_dimension dim,
                        double ambient_pa, struct engine_sensor *s, struct fault *fault)
{
	for (size_t i = 0; i < list->count; i++) {
		char why[160];
		if (parse_point(list->text[i], dim, ambient_pa, &s->counts[i], &s->value[i], why,
		                sizeof why) != 0)
			return engine_ini_fault(name, list->line[i], fault, "%s", why);
		s->points = i + 1;
		if (i == 0)
			continue;
		if (list->count == 2 && s->counts[1] < s->counts[0])
			swap_points(s);
		if (!(s->counts[i] > s->counts[i - 1]))
			return engine_ini_fault(name, list->line[i], fault,
			                        list->count == 2
			                            ? "both points have the same counts; they must differ"
			                            : "the counts do not rise; sort the table by counts");
	}
	return 0;
}

/* Where line `line` begins; its length goes to *len. */
static char *find_line(char *text, int line, size_t *len)
{
	char *p = text;
	for (int i = 1; i < line; i++)
		p += strcspn(p, "\n") + 1;
	*len = strcspn(p, "\n");
	return p;
}

int engine_table_fold(const struct point_list *list, int line, char **text, size_t *len)
{
	size_t old;
	char *at = find_line(*text, line, &old), *folded;
	size_t folded_len;
	FILE *out = open_memstream(&folded, &folded_len);
	if (out == NULL)
		return -1;
	fwrite(*text, 1, (size_t)(at - *text), out);
	fputs("table = points", out);
	for (size_t i = 0; i < list->count; i++)
		fprintf(out, "\n  %s", list->text[i]);
	fwrite(at + old, 1, *len - (size_t)(at - *text) - old, out);
	if (fclose(out) != 0)
		return -1;
	free(*text);
	*text = folded;
	*len = folded_len;
	return 0;
}
