/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The engine file as lines: sections and keys, each with its line number,
 * spelling and doubles checked, values still text.  Used by engine.c only. */
#ifndef TRAMMEL_ENGINE_INI_H
#define TRAMMEL_ENGINE_INI_H

#include "common/fault.h"

#include <stdbool.h>
#include <stddef.h>

enum ini_kind { INI_ENGINE, INI_TEETH, INI_VALVE, INI_SENSOR, INI_LIMITS, INI_DRIVE, INI_TANK, INI_KINDS };

#define INI_SECTIONS_MAX 32 /* every legal section once: 5 + 8 valves + 16 sensors */
#define INI_TEXT_MAX 65536  /* bytes of an engine file */

struct ini_section {
	enum ini_kind kind;
	int number; /* of "[valve 3]"; 0 for sections without one */
	int line;
};

struct ini_entry {
	struct ini_section section;
	const char *key;
	char *value; /* owned */
	int line;
	bool continued; /* an indented line below a `table` */
};

struct engine_ini {
	const char *name; /* borrowed; stands in messages */
	struct ini_section sections[INI_SECTIONS_MAX];
	size_t section_count;
	struct ini_entry *entries;
	size_t entry_count;
};

/* 0 when `text` is UTF-8 without control characters but tab and line ends; else -1 with `fault`. */
int engine_ini_check_text(const char *name, const char *text, size_t len, struct fault *fault);

/* Takes `text` apart.  0, or -1 with `fault`; release with engine_ini_free in
 * either case. */
int engine_ini_read(const char *name, const char *text, size_t len, struct engine_ini *ini,
                    struct fault *fault);
void engine_ini_free(struct engine_ini *ini);

/* The entry of a key, NULL when the file does not have it. */
const struct ini_entry *engine_ini_find(const struct engine_ini *ini, enum ini_kind kind, int number,
                                        const char *key);

/* Line of the key, else of its section, else 1: where a message points. */
int engine_ini_line(const struct engine_ini *ini, enum ini_kind kind, int number, const char *key);

/* True when the file has this section. */
bool engine_ini_has(const struct engine_ini *ini, enum ini_kind kind, int number);

/* Fills `fault` with "name:line: ..." (EX_CONFIG) and returns -1. */
int engine_ini_fault(const char *name, int line, struct fault *fault, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* Equal but for the number of blanks between words and around them; `len` is
 * that of `text`. */
bool engine_ini_same_words(const char *text, size_t len, const char *words);

#endif
