/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/log.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>

struct log_file {
	char *path;
	struct segment_facts facts; /* engine_text owned */
};

struct log {
	struct log_file *file;
	size_t n;
	size_t at; /* file being read */
	struct segment_reader *reader;
	bool fresh_session; /* the next record begins a session */
	bool counted;       /* totals were completed by an earlier pass */
	struct log_totals totals;
};

static bool has_suffix(const char *name, const char *suffix)
{
	size_t n = strlen(name), k = strlen(suffix);
	return n > k && strcmp(name + n - k, suffix) == 0;
}

static int compare_files(const void *pa, const void *pb)
{
	const struct log_file *a = pa, *b = pb;
	if (a->facts.session != b->facts.session)
		return a->facts.session < b->facts.session ? -1 : 1;
	if (a->facts.number != b->facts.number)
		return a->facts.number < b->facts.number ? -1 : 1;
	return strcmp(a->path, b->path);
}

/* Reads a file's facts; keeps the file when it has any. */
static int add_file(struct log *l, const char *path, struct fault *fault)
{
	struct fault why;
	struct segment_reader *s = segment_reader_open(path, &why);
	if (s == NULL) {
		l->totals.files_unreadable++;
		return fault_set(fault, why.exit_code, "%s", why.text);
	}
	struct log_file *grown = realloc(l->file, (l->n + 1) * sizeof *grown);
	if (grown == NULL) {
		segment_reader_free(s);
		return fault_set(fault, EX_OSERR, "out of memory");
	}
	l->file = grown;
	struct log_file *f = &l->file[l->n];
	*f = (struct log_file){.path = strdup(path), .facts = *segment_reader_facts(s)};
	char *text = malloc(f->facts.engine_len + 1);
	if (f->path == NULL || text == NULL) {
		free(f->path);
		free(text);
		segment_reader_free(s);
		return fault_set(fault, EX_OSERR, "out of memory");
	}
	memcpy(text, f->facts.engine_text, f->facts.engine_len);
	text[f->facts.engine_len] = '\0';
	f->facts.engine_text = text;
	l->n++;
	segment_reader_free(s);
	return 0;
}

static int add_directory(struct log *l, const char *path, struct fault *fault)
{
	DIR *d = opendir(path);
	if (d == NULL)
		return fault_set(fault, EX_NOINPUT, "%s: %s", path, strerror(errno));
	struct fault last = {0};
	for (struct dirent *e = readdir(d); e != NULL; e = readdir(d)) {
		if (!has_suffix(e->d_name, ".tram"))
			continue;
		char name[4096];
		if (snprintf(name, sizeof name, "%s/%s", path, e->d_name) < (int)sizeof name)
			add_file(l, name, &last); /* an unreadable one is counted and named below */
	}
	closedir(d);
	if (l->n > 0)
		return 0;
	if (l->totals.files_unreadable > 0)
		return fault_set(fault, last.exit_code, "%s: no segment can be read; the last one: %s", path,
		                 last.text);
	return fault_set(
	    fault, EX_NOINPUT,
	    "%s: no segment files (*.tram) in this directory; record a ride into it with trammeld --into %s",
	    path, path);
}

static unsigned count_missing(const struct log *l)
{
	unsigned missing = 0;
	for (size_t i = 1; i < l->n; i++) {
		const struct segment_facts *a = &l->file[i - 1].facts, *b = &l->file[i].facts;
		if (a->session == b->session && b->previous_file_id != 0 &&
		    b->previous_file_id != a->file_id && b->number > a->number + 1)
			missing += b->number - a->number - 1;
	}
	return missing;
}

struct log *log_open(const char *path, struct fault *fault)
{
	struct log *l = calloc(1, sizeof *l);
	struct stat st;
	if (l == NULL) {
		fault_set(fault, EX_OSERR, "out of memory");
		return NULL;
	}
	int bad;
	if (stat(path, &st) != 0)
		bad = fault_set(fault, EX_NOINPUT, "%s: %s; give a directory of segments or one *.tram file",
		                path, strerror(errno));
	else if (S_ISDIR(st.st_mode))
		bad = add_directory(l, path, fault);
	else
		bad = add_file(l, path, fault);
	if (bad) {
		log_close(l);
		return NULL;
	}
	qsort(l->file, l->n, sizeof *l->file, compare_files);
	l->totals.files = (unsigned)l->n;
	l->totals.files_missing = count_missing(l);
	log_rewind(l);
	return l;
}

void log_close(struct log *l)
{
	if (l == NULL)
		return;
	segment_reader_free(l->reader);
	for (size_t i = 0; i < l->n; i++) {
		free(l->file[i].path);
		free((char *)l->file[i].facts.engine_text);
	}
	free(l->file);
	free(l);
}

void log_rewind(struct log *l)
{
	segment_reader_free(l->reader);
	l->reader = NULL;
	l->at = 0;
	l->fresh_session = true;
}

static void finish_file(struct log *l)
{
	const struct segment_totals *t = segment_reader_totals(l->reader);
	if (!l->counted) {
		l->totals.damaged_bytes += t->damaged_bytes;
		l->totals.records_lost += t->records_lost;
		l->totals.damages += t->damages;
		l->totals.not_closed += !t->closed;
	}
	segment_reader_free(l->reader);
	l->reader = NULL;
	l->at++;
	if (l->at < l->n && l->file[l->at].facts.session != l->file[l->at - 1].facts.session)
		l->fresh_session = true;
	if (l->at == l->n)
		l->counted = true;
}

int log_next(struct log *l, struct log_record *out, struct fault *fault)
{
	while (l->at < l->n) {
		if (l->reader == NULL)
			l->reader = segment_reader_open(l->file[l->at].path, fault);
		if (l->reader == NULL)
			return -1;
		int got = segment_reader_next(l->reader, &out->r, fault);
		if (got < 0)
			return -1;
		if (got > 0) {
			out->facts = &l->file[l->at].facts;
			out->new_session = l->fresh_session;
			l->fresh_session = false;
			out->mono_us = segment_reader_block_mono_us(l->reader);
			return 1;
		}
		finish_file(l);
	}
	return 0;
}

const struct log_totals *log_totals(const struct log *l)
{
	return &l->totals;
}

const struct segment_facts *log_newest_facts(const struct log *l)
{
	return &l->file[l->n - 1].facts;
}

const struct segment_facts *log_first_facts(const struct log *l)
{
	return &l->file[0].facts;
}
