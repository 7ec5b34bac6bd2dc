/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/compare.h"
#include "analyse/json_put.h"

static json_t *row_of(const struct compare_row *r)
{
	json_t *o = json_object();
	json_put(o, "what", json_put_text(r->what));
	json_put(o, "unit", json_put_text(r->unit));
	json_put(o, "before", json_put_number(r->before));
	json_put(o, "after", json_put_number(r->after));
	json_put(o, "difference", json_put_number(r->difference));
	json_put(o, "half_width_95", json_put_number(r->half_width));
	json_put(o, "verdict", json_put_text(compare_verdict_name(r->verdict)));
	return o;
}

int compare_json(const struct comparison *c, const struct report *before, const struct report *after,
                 FILE *out)
{
	json_t *root = json_object(), *rows = json_array();
	json_put(root, "schema", json_put_text("trammel.compare/1"));
	json_put(root, "before", json_put_text(before->file));
	json_put(root, "after", json_put_text(after->file));
	for (size_t i = 0; i < c->n; i++)
		json_array_append_new(rows, row_of(&c->row[i]));
	json_put(root, "differences", rows);
	json_put(root, "notes", json_put_lines(&c->notes));
	return json_put_write(root, out);
}
