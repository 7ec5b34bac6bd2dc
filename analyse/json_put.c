/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/json_put.h"

#include "analyse/escape.h"
#include "common/unit.h"

#include <math.h>

#define DIGITS 7 /* significant digits of a measured number */

void json_put(json_t *object, const char *key, json_t *value)
{
	json_object_set_new(object, key, value);
}

json_t *json_put_number(double x)
{
	char text[40];
	double rounded;
	if (!isfinite(x))
		return json_null();
	snprintf(text, sizeof text, "%.*g", DIGITS, x);
	if (unit_number(text, &rounded) == NULL)
		return json_null();
	return json_real(rounded == 0 ? 0 : rounded); /* no "-0.0" */
}

json_t *json_put_count(uint64_t n)
{
	return json_integer((json_int_t)n);
}

json_t *json_put_text(const char *text)
{
	char safe[2 * REPORT_LINE_MAX];
	return json_string(escape_plain(safe, sizeof safe, text));
}

json_t *json_put_lines(const struct report_lines *l)
{
	json_t *list = json_array();
	for (size_t i = 0; i < l->n; i++)
		json_array_append_new(list, json_put_text(l->line[i]));
	return list;
}

int json_put_write(json_t *root, FILE *out)
{
	int status = json_dumpf(root, out, JSON_INDENT(1) | JSON_REAL_PRECISION(DIGITS));
	json_decref(root);
	return status == 0 && fputc('\n', out) != EOF ? 0 : -1;
}
