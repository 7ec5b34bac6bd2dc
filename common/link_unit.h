/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the two decoders share inside the link: where results go, with the
 * counting, and which records a link can carry at all. */
#ifndef TRAMMEL_LINK_UNIT_H
#define TRAMMEL_LINK_UNIT_H

#include "common/link.h"

/* Good units and their records, and damage, both counted and handed on. */
struct link_out {
	struct link_counts *counts;
	const struct link_sink *sink;
};

void link_out_record(const struct link_out *out, const struct record *r);
void link_out_damage(const struct link_out *out, const struct link_damage *d);
void link_out_frames_lost(const struct link_out *out, unsigned frames);

/* Text that may travel: UTF-8 without control characters, at most
 * RECORD_TEXT_MAX bytes.  NULL when fine, else the reason (static). */
const char *link_text_fault(const char *text, size_t len);

/* True when both links can carry this record without losing anything: a
 * sender's kind whose fields have the ranges of LINK.md. */
bool link_can_carry(const struct record *r);

#endif
