/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The points of a sensor table: from a CSV file or from the engine file itself,
 * and back into the engine file's text.  Used by engine.c only. */
#ifndef TRAMMEL_ENGINE_TABLE_H
#define TRAMMEL_ENGINE_TABLE_H

#include "common/engine.h"
#include "common/unit.h"

#define TABLE_POINT_TEXT_MAX 79

/* Points as the engine file writes them: "102 counts, 0 bar gauge". */
struct point_list {
	char text[ENGINE_TABLE_MAX][TABLE_POINT_TEXT_MAX + 1];
	int line[ENGINE_TABLE_MAX];
	size_t count;
};

/* Appends a point; -1 with `fault` ("name:line: ...") when the list is full. */
int engine_table_add(struct point_list *list, const char *name, int line, const char *text,
                     struct fault *fault);

/* Reads the CSV file `path`.  0, or -1 with `fault`. */
int engine_table_read(const char *path, struct point_list *list, struct fault *fault);

/* Points to numbers: counts must rise strictly (two points may also fall: they
 * are swapped).  `name` stands in messages. */
int engine_table_values(const struct point_list *list, const char *name, enum unit_dimension dim,
                        double ambient_pa, struct engine_sensor *s, struct fault *fault);

/* Replaces line `line` (counted from 1) of *text by "table = points" and the
 * points as indented lines; *text is reallocated.  -1 when out of memory. */
int engine_table_fold(const struct point_list *list, int line, char **text, size_t *len);

/* Reads a whole file of at most `max` bytes, terminated.  0, or -1 with
 * `fault`; the caller frees *text. */
int engine_text_load(const char *path, size_t max, char **text, size_t *len, struct fault *fault);

#endif
