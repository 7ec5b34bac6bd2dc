/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/verify.h"

#include "analyse/escape.h"

#include <dirent.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>

typedef unsigned long long ull;

/* --- what to read --- */

static int add_file(struct verify_list *l, const char *path, struct fault *fault)
{
	struct verify_file *grown = realloc(l->file, (l->n + 1) * sizeof *grown);
	char *copy = strdup(path);
	if (grown != NULL)
		l->file = grown;
	if (grown == NULL || copy == NULL) {
		free(copy);
		return fault_set(fault, EX_OSERR, "out of memory");
	}
	l->file[l->n++] = (struct verify_file){.path = copy};
	return 0;
}

static int is_segment(const struct dirent *e)
{
	size_t n = strlen(e->d_name);
	return n > 5 && strcmp(e->d_name + n - 5, ".tram") == 0;
}

static int by_name(const struct dirent **a, const struct dirent **b)
{
	return strcmp((*a)->d_name, (*b)->d_name); /* not by the locale */
}

static int add_inside(struct verify_list *l, const char *directory, const char *name, struct fault *fault)
{
	char *path = NULL;
	if (asprintf(&path, "%s/%s", directory, name) < 0)
		return fault_set(fault, EX_OSERR, "out of memory");
	int bad = add_file(l, path, fault);
	free(path);
	return bad;
}

static int add_directory(struct verify_list *l, const char *path, struct fault *fault)
{
	struct dirent **entry;
	int n = scandir(path, &entry, is_segment, by_name), bad = 0;
	if (n < 0)
		return fault_set(fault, EX_NOINPUT, "%s: %s", path, strerror(errno));
	for (int i = 0; i < n; i++) {
		bad = bad != 0 ? bad : add_inside(l, path, entry[i]->d_name, fault);
		free(entry[i]);
	}
	free(entry);
	return n > 0 ? bad
	             : fault_set(fault, EX_NOINPUT, "%s: no segment files (*.tram) in this directory", path);
}

int verify_add(struct verify_list *l, const char *path, struct fault *fault)
{
	struct stat st;
	if (stat(path, &st) == 0 && S_ISDIR(st.st_mode))
		return add_directory(l, path, fault);
	return add_file(l, path, fault);
}

void verify_free(struct verify_list *l)
{
	for (size_t i = 0; i < l->n; i++)
		free(l->file[i].path);
	free(l->file);
	*l = (struct verify_list){0};
}

/* --- one file --- */

/* Damage is kept until the verdict line has been printed before it. */
struct findings {
	struct segment_damage *damage;
	size_t n;
	bool out_of_memory;
};

static void on_damage(void *ctx, const struct segment_damage *d)
{
	struct findings *f = ctx;
	struct segment_damage *grown = realloc(f->damage, (f->n + 1) * sizeof *grown);
	f->out_of_memory = f->out_of_memory || grown == NULL;
	if (grown == NULL)
		return;
	f->damage = grown;
	f->damage[f->n++] = *d;
}

static void print_time_gap(const struct segment_damage *d, FILE *out)
{
	if (d->from_mono_us != 0 && d->to_mono_us != 0)
		fprintf(out, "; host time %.3f s to %.3f s, a gap of %.3f s", (double)d->from_mono_us * 1e-6,
		        (double)d->to_mono_us * 1e-6, (double)(d->to_mono_us - d->from_mono_us) * 1e-6);
	else if (d->from_mono_us != 0)
		fprintf(out, "; host time from %.3f s on", (double)d->from_mono_us * 1e-6);
}

static void print_damage(const struct segment_damage *d, FILE *out)
{
	if (d->bytes > 0)
		fprintf(out, "  bytes %llu to %llu (%llu bytes): %s", (ull)d->offset,
		        (ull)(d->offset + d->bytes - 1), (ull)d->bytes, d->why);
	else
		fprintf(out, "  at byte %llu: %s", (ull)d->offset, d->why);
	if (d->to_mono_us == 0 && d->records_lost == 0 && d->bytes > 0)
		fputs("; records lost: not known", out);
	else
		fprintf(out, "; %llu records lost", (ull)d->records_lost);
	print_time_gap(d, out);
	fputc('\n', out);
}

static void print_verdict(const struct verify_file *f, const struct segment_totals *t, FILE *out)
{
	char path[1024];
	fprintf(out, "%s: ", escape_plain(path, sizeof path, f->path));
	if (f->verdict == VERIFY_WHOLE)
		fputs("whole", out);
	else if (t->damages > 0)
		fprintf(out, "damaged in %llu place%s, %llu bytes, %llu records lost%s", (ull)t->damages,
		        t->damages == 1 ? "" : "s", (ull)t->damaged_bytes, (ull)t->records_lost,
		        t->closed ? "" : " at least; not closed");
	else
		fputs("not closed: still being written, or the recorder was cut off", out);
	fprintf(out, "; %llu blocks, %llu records, %llu bytes\n", (ull)t->blocks, (ull)t->records,
	        (ull)t->bytes);
}

static void print_failure(struct verify_file *f, const struct fault *fault, FILE *out)
{
	f->verdict = VERIFY_FAILED;
	fprintf(out, "%s\n", fault->text);
}

static void keep_facts(struct verify_file *f, const struct segment_facts *facts)
{
	f->file_id = facts->file_id;
	f->previous_file_id = facts->previous_file_id;
	f->session = facts->session;
	f->number = facts->number;
	f->first_record = facts->first_record;
}

static void read_to_end(struct verify_file *f, struct segment_reader *s, FILE *out)
{
	struct findings found = {0};
	struct fault fault;
	struct record r;
	int got;
	segment_reader_on_damage(s, on_damage, &found);
	while ((got = segment_reader_next(s, &r, &fault)) == 1)
		;
	const struct segment_totals *t = segment_reader_totals(s);
	f->records_end = f->first_record + t->records + t->records_lost;
	f->verdict = t->damages == 0 && t->closed ? VERIFY_WHOLE : VERIFY_LOSSY;
	if (found.out_of_memory)
		got = fault_set(&fault, EX_OSERR, "%s: out of memory for its list of damage", f->path);
	print_verdict(f, t, out);
	for (size_t i = 0; i < found.n; i++)
		print_damage(&found.damage[i], out);
	if (got < 0)
		print_failure(f, &fault, out);
	free(found.damage);
}

void verify_read(struct verify_file *f, FILE *out)
{
	struct fault fault;
	struct segment_reader *s = segment_reader_open(f->path, &fault);
	if (s == NULL) {
		print_failure(f, &fault, out);
		return;
	}
	keep_facts(f, segment_reader_facts(s));
	read_to_end(f, s, out);
	segment_reader_free(s);
}

/* --- the row of a session --- */

static int in_row(const void *pa, const void *pb)
{
	const struct verify_file *a = *(const struct verify_file *const *)pa;
	const struct verify_file *b = *(const struct verify_file *const *)pb;
	if (a->session != b->session)
		return a->session < b->session ? -1 : 1;
	if (a->number != b->number)
		return a->number < b->number ? -1 : 1;
	return strcmp(a->path, b->path);
}

/* Segments missing between two that follow each other in the list. */
static unsigned missing_between(const struct verify_file *a, const struct verify_file *b, FILE *out)
{
	if (a->session != b->session || b->number == a->number || b->previous_file_id == a->file_id)
		return 0;
	unsigned missing = b->number - a->number - 1;
	if (missing == 0) {
		fprintf(out,
		        "session %u: segment %u does not follow this segment %u: it names another one before "
		        "it\n",
		        a->session, b->number, a->number);
		return 1;
	}
	fprintf(out, "session %u: segment%s %u", a->session, missing == 1 ? "" : "s", a->number + 1);
	if (missing > 1)
		fprintf(out, " to %u", b->number - 1);
	fprintf(out, " missing");
	if (b->first_record >= a->records_end)
		fprintf(out, ", with %llu records", (ull)(b->first_record - a->records_end));
	fputc('\n', out);
	return missing;
}

/* Earlier segments may have made room for later ones: no damage, but said. */
static void say_earlier(const struct verify_file *f, FILE *out)
{
	if (f->previous_file_id != 0 && f->number > 1)
		fprintf(out,
		        "session %u: segments before %u are not here (removed to make room, or not named)\n",
		        f->session, f->number);
}

unsigned verify_chain(const struct verify_list *l, FILE *out)
{
	const struct verify_file **row = calloc(l->n + 1, sizeof(const struct verify_file *));
	size_t n = 0;
	unsigned missing = 0;
	if (row == NULL)
		return 1;
	for (size_t i = 0; i < l->n; i++)
		if (l->file[i].verdict != VERIFY_FAILED)
			row[n++] = &l->file[i];
	qsort(row, n, sizeof(const struct verify_file *), in_row);
	for (size_t i = 0; i < n; i++) {
		if (i == 0 || row[i - 1]->session != row[i]->session)
			say_earlier(row[i], out);
		else
			missing += missing_between(row[i - 1], row[i], out);
	}
	free(row);
	return missing;
}
