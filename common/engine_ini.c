/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/engine_ini.h"
#include "common/engine.h"
#include "common/utf8.h"

#include <ini.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define BLANKS " \t\r"
#define KEYS_MAX 13

struct section_kind {
	const char *name;
	int numbers; /* 0: the section has none */
	const char *keys[KEYS_MAX];
};

static const struct section_kind kinds[INI_KINDS] = {
    [INI_ENGINE] = {"engine",
                    0,
                    {"name", "mechanism", "pivot distance", "rod length", "offset", "crank radius", "bore",
                     "rod", "clearance cap", "clearance rod", "ambient", "air temperature"}},
    [INI_TEETH] = {"teeth",
                   0,
                   {"count", "edges", "index angle", "crank ratio", "second channel", "chain wind-up"}},
    [INI_VALVE] = {"valve",
                   ENGINE_VALVES_MAX,
                   {"role", "opens", "shuts", "rest", "rest role", "lead open", "lead shut"}},
    [INI_SENSOR] = {"sensor", ENGINE_SENSORS_MAX, {"role", "valve", "low", "high", "table"}},
    [INI_LIMITS] = {"limits", 0, {"supply", "speed", "rod force"}},
    [INI_DRIVE] = {"drive", 0, {"crank sprocket", "wheel sprocket", "wheel diameter", "mass"}},
    [INI_TANK] = {"tank", 0, {"volume"}},
};

/* What inih's two callbacks share.  It hands out lines and takes back keys, so
 * that the line number of a key is that of the line handed out last. */
struct reader {
	const char *text;
	size_t len, pos;
	int line;
	bool indented, failed;
	const struct ini_section *section;
	struct engine_ini *ini;
	struct fault *fault;
};

int engine_ini_fault(const char *name, int line, struct fault *fault, const char *format, ...)
{
	char text[sizeof fault->text];
	va_list args;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	return fault_set(fault, EX_CONFIG, "%s:%d: %s", name, line, text);
}

#define FAIL(r, ...)                                                                                         \
	((r)->failed = true, engine_ini_fault((r)->ini->name, (r)->line, (r)->fault, __VA_ARGS__))

bool engine_ini_same_words(const char *text, size_t len, const char *words)
{
	const char *p = text, *end = text + len;
	for (const char *w = words; *w != '\0'; w += strspn(w, " ")) {
		while (p < end && strchr(BLANKS, *p) != NULL)
			p++;
		size_t n = strcspn(w, " ");
		if ((size_t)(end - p) < n || memcmp(p, w, n) != 0)
			return false;
		p += n;
		if (p < end && strchr(BLANKS, *p) == NULL)
			return false;
		w += n;
	}
	while (p < end && strchr(BLANKS, *p) != NULL)
		p++;
	return p == end;
}

/* "name a, name b, name c" of a NULL-ended list, for messages. */
static const char *join(const char *const *names, size_t max, char *to, size_t size)
{
	size_t used = 0;
	to[0] = '\0';
	for (size_t i = 0; i < max && names[i] != NULL && used < size; i++)
		used += (size_t)snprintf(to + used, size - used, "%s%s", i > 0 ? ", " : "", names[i]);
	return to;
}

/* Reads what stands between the brackets: "engine", "valve 3". */
static int section_of(const char *inside, size_t len, struct ini_section *s)
{
	for (int k = 0; k < INI_KINDS; k++) {
		char wanted[32];
		int numbers = kinds[k].numbers > 0 ? kinds[k].numbers : 1;
		for (int i = 0; i < numbers; i++) {
			snprintf(wanted, sizeof wanted, kinds[k].numbers > 0 ? "%s %d" : "%s", kinds[k].name,
			         i);
			if (engine_ini_same_words(inside, len, wanted)) {
				*s = (struct ini_section){.kind = (enum ini_kind)k, .number = i};
				return 0;
			}
		}
	}
	return -1;
}

static const struct ini_section *find_section(const struct engine_ini *ini, enum ini_kind kind, int number)
{
	for (size_t i = 0; i < ini->section_count; i++)
		if (ini->sections[i].kind == kind && ini->sections[i].number == number)
			return &ini->sections[i];
	return NULL;
}

static int begin_section(struct reader *r, const char *line, size_t len)
{
	const char *close = memchr(line, ']', len);
	struct ini_section s;
	if (close == NULL)
		return FAIL(r, "the closing ']' of the section is missing; write for example [valve 0]");
	if (!engine_ini_same_words(close + 1, len - (size_t)(close + 1 - line), ""))
		return FAIL(r, "something follows the section's ']'; put it on a line of its own");
	if (section_of(line + 1, (size_t)(close - line - 1), &s) != 0)
		return FAIL(r,
		            "no such section '%.*s'; there are [engine], [teeth], [valve 0] to [valve %d], "
		            "[sensor 0] "
		            "to [sensor %d], [limits], [drive], [tank]",
		            (int)(len < 40 ? len : 40), line, ENGINE_VALVES_MAX - 1, ENGINE_SENSORS_MAX - 1);
	const struct ini_section *before = find_section(r->ini, s.kind, s.number);
	if (before != NULL)
		return FAIL(r,
		            "this section was already there in line %d; put all its keys under one heading",
		            before->line);
	s.line = r->line;
	r->ini->sections[r->ini->section_count] = s;
	r->section = &r->ini->sections[r->ini->section_count++];
	return 0;
}

/* Length of a line without its comment and trailing blanks. */
static size_t content_length(const char *line, size_t len)
{
	size_t start = 0, end = 0;
	while (start < len && strchr(BLANKS, line[start]) != NULL)
		start++;
	if (start < len && (line[start] == ';' || line[start] == '#'))
		return 0;
	for (size_t i = start; i < len; i++) {
		bool blank = strchr(BLANKS, line[i]) != NULL;
		if (line[i] == ';' && i > 0 && strchr(BLANKS, line[i - 1]) != NULL)
			break;
		if (!blank)
			end = i + 1;
	}
	return end;
}

/* inih takes an indented line as more of the value above; that is meant only
 * where it is neither a key nor a section. */
static void unindent(const char **line, size_t *len)
{
	size_t blanks = 0;
	while (blanks < *len && strchr(BLANKS, (*line)[blanks]) != NULL)
		blanks++;
	if (blanks == *len || (*line)[blanks] == '[' || memchr(*line, '=', *len) != NULL) {
		*line += blanks;
		*len -= blanks;
	}
}

/* ini_reader: the next line, at most `num` - 1 bytes with its newline. */
static char *next_line(char *to, int num, void *stream)
{
	struct reader *r = stream;
	if (r->failed || r->pos >= r->len)
		return NULL;
	const char *line = r->text + r->pos;
	const char *newline = memchr(line, '\n', r->len - r->pos);
	size_t len = newline != NULL ? (size_t)(newline - line) : r->len - r->pos;
	r->pos += len + 1;
	r->line++;
	len = content_length(line, len);
	unindent(&line, &len);
	r->indented = len > 0 && strchr(BLANKS, line[0]) != NULL;
	if (len + 2 > (size_t)num)
		FAIL(r, "the line is %zu bytes long without its comment; %d is the most", len, num - 2);
	else if (len > 0 && line[0] == '[')
		begin_section(r, line, len);
	if (r->failed)
		return NULL;
	memcpy(to, line, len);
	to[len] = '\n';
	to[len + 1] = '\0';
	return to;
}

static const char *known_key(enum ini_kind kind, const char *name)
{
	for (size_t i = 0; i < KEYS_MAX && kinds[kind].keys[i] != NULL; i++)
		if (engine_ini_same_words(name, strlen(name), kinds[kind].keys[i]))
			return kinds[kind].keys[i];
	return NULL;
}

static int add_entry(struct reader *r, const char *key, const char *value)
{
	struct engine_ini *ini = r->ini;
	struct ini_entry *more = realloc(ini->entries, (ini->entry_count + 1) * sizeof *more);
	if (more == NULL)
		return r->failed = true, fault_set(r->fault, EX_OSERR, "out of memory");
	ini->entries = more;
	char *copy = strdup(value);
	if (copy == NULL)
		return r->failed = true, fault_set(r->fault, EX_OSERR, "out of memory");
	ini->entries[ini->entry_count++] = (struct ini_entry){
	    .section = *r->section, .key = key, .value = copy, .line = r->line, .continued = r->indented};
	return 0;
}

static int take_key(struct reader *r, const char *name, const char *value)
{
	if (r->section == NULL)
		return FAIL(r, "'%s' stands before the first section; begin with [engine]", name);
	const struct section_kind *kind = &kinds[r->section->kind];
	const char *key = known_key(r->section->kind, name);
	char list[200];
	if (key == NULL)
		return FAIL(r, "'%s' is no key of [%s]; its keys are: %s", name, kind->name,
		            join(kind->keys, KEYS_MAX, list, sizeof list));
	if (r->indented) {
		if (strcmp(key, "table") != 0)
			return FAIL(
			    r,
			    "this line is not 'key = value'; a value goes on one line (only the points of a "
			    "table are indented lines)");
		return add_entry(r, key, value);
	}
	const struct ini_entry *before = engine_ini_find(r->ini, r->section->kind, r->section->number, key);
	if (before != NULL)
		return FAIL(r, "'%s' was already given in line %d; keep one of them", key, before->line);
	if (*value == '\0')
		return FAIL(r, "'%s' has no value; write it after the '=' or take the line out", key);
	return add_entry(r, key, value);
}

/* ini_handler: 1 = fine, 0 = error (inih then remembers the line). */
static int handle(void *user, const char *section, const char *name, const char *value)
{
	struct reader *r = user;
	(void)section; /* next_line has taken it apart already */
	return !r->failed && take_key(r, name, value) == 0;
}

int engine_ini_check_text(const char *name, const char *text, size_t len, struct fault *fault)
{
	int line = 1;
	for (size_t i = utf8_check(text, len); i < len; i += 1 + utf8_check(text + i + 1, len - i - 1)) {
		if (text[i] != '\t' && text[i] != '\r' && text[i] != '\n')
			return engine_ini_fault(
			    name, line, fault,
			    "byte %zu (0x%02x) is not UTF-8 text or is a control character; "
			    "save the file as plain text in UTF-8",
			    i, (unsigned char)text[i]);
		line += text[i] == '\n';
	}
	return 0;
}

int engine_ini_read(const char *name, const char *text, size_t len, struct engine_ini *ini,
                    struct fault *fault)
{
	*ini = (struct engine_ini){.name = name};
	if (len == 0)
		return engine_ini_fault(name, 1, fault, "the engine file is empty; begin it with [engine]");
	if (len > INI_TEXT_MAX)
		return engine_ini_fault(name, 1, fault,
		                        "%zu bytes are too much for an engine file; %d is the most", len,
		                        INI_TEXT_MAX);
	if (engine_ini_check_text(name, text, len, fault) != 0)
		return -1;
	size_t mark = len >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0 ? 3 : 0; /* byte order mark */
	struct reader r = {.text = text + mark, .len = len - mark, .ini = ini, .fault = fault};
	int bad_line = ini_parse_stream(next_line, &r, handle, &r);
	if (r.failed)
		return -1;
	if (bad_line < 0)
		return fault_set(fault, EX_OSERR, "%s: out of memory", name);
	if (bad_line > 0)
		return engine_ini_fault(
		    name, bad_line, fault,
		    "this line is neither 'key = value' nor '[section]' nor a comment with ';'");
	return 0;
}

void engine_ini_free(struct engine_ini *ini)
{
	for (size_t i = 0; i < ini->entry_count; i++)
		free(ini->entries[i].value);
	free(ini->entries);
	*ini = (struct engine_ini){0};
}

const struct ini_entry *engine_ini_find(const struct engine_ini *ini, enum ini_kind kind, int number,
                                        const char *key)
{
	for (size_t i = 0; i < ini->entry_count; i++) {
		const struct ini_entry *entry = &ini->entries[i];
		if (entry->section.kind == kind && entry->section.number == number &&
		    strcmp(entry->key, key) == 0)
			return entry;
	}
	return NULL;
}

int engine_ini_line(const struct engine_ini *ini, enum ini_kind kind, int number, const char *key)
{
	const struct ini_entry *entry = engine_ini_find(ini, kind, number, key);
	if (entry != NULL)
		return entry->line;
	const struct ini_section *s = find_section(ini, kind, number);
	return s != NULL ? s->line : 1;
}

bool engine_ini_has(const struct engine_ini *ini, enum ini_kind kind, int number)
{
	return find_section(ini, kind, number) != NULL;
}
