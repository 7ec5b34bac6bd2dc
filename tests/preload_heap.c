/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Counts heap use after the recorder has said that it is ready, and lets the
 * k-th allocation before that fail.
 *
 * TRAMMEL_HEAP_COUNT  file that gets the number of allocations after READY=1
 * TRAMMEL_HEAP_FAIL   k: the k-th allocation of the program fails (and all after it
 *                     when TRAMMEL_HEAP_FOREVER is set)
 */
#include <dlfcn.h>
#include <errno.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static atomic_bool ready;
static atomic_ulong after_ready, all;
static unsigned long fail_at;
static bool fail_forever;

int sd_notify(int unset, const char *state);

__attribute__((constructor)) static void read_settings(void)
{
	const char *k = getenv("TRAMMEL_HEAP_FAIL");
	fail_at = k == NULL ? 0 : strtoul(k, NULL, 10);
	fail_forever = getenv("TRAMMEL_HEAP_FOREVER") != NULL;
	atomic_store(&all, 0);
}

__attribute__((destructor)) static void write_count(void)
{
	const char *path = getenv("TRAMMEL_HEAP_COUNT");
	unsigned long n = atomic_load(&after_ready), total = atomic_load(&all);
	FILE *f = path == NULL ? NULL : fopen(path, "w");
	if (f == NULL)
		return;
	fprintf(f, "%lu %lu\n", n, total);
	fclose(f);
}

int sd_notify(int unset, const char *state)
{
	int (*next)(int, const char *) = (int (*)(int, const char *))dlsym(RTLD_NEXT, "sd_notify");
	int done = next == NULL ? 0 : next(unset, state);
	if (strcmp(state, "READY=1") == 0)
		atomic_store(&ready, true);
	if (strcmp(state, "STOPPING=1") == 0)
		atomic_store(&ready, false);
	return done;
}

static bool refused(void)
{
	unsigned long n = atomic_fetch_add(&all, 1) + 1;
	if (atomic_load(&ready))
		atomic_fetch_add(&after_ready, 1);
	if (fail_at == 0 || (n != fail_at && !(fail_forever && n > fail_at)))
		return false;
	errno = ENOMEM;
	return true;
}

/* The next malloc in line: the C library's or a sanitizer's.  dlsym may itself allocate
 * while it looks; that small need is met from here and never given back. */
static void *next_of(const char *name, void *_Atomic *cell)
{
	void *f = atomic_load(cell);
	if (f == NULL) {
		f = dlsym(RTLD_NEXT, name);
		atomic_store(cell, f);
	}
	return f;
}

void *malloc(size_t n)
{
	static void *_Atomic cell;
	void *(*next)(size_t) = (void *(*)(size_t))next_of("malloc", &cell);
	return refused() ? NULL : next(n);
}

static _Thread_local bool looking;
static char first_bytes[4096];
static size_t first_used;

void *calloc(size_t count, size_t n)
{
	static void *_Atomic cell;
	if (looking) {
		void *p = first_bytes + first_used;
		first_used += (count * n + 15) & ~(size_t)15;
		return first_used <= sizeof first_bytes ? p : NULL;
	}
	looking = true;
	void *(*next)(size_t, size_t) = (void *(*)(size_t, size_t))next_of("calloc", &cell);
	looking = false;
	return refused() ? NULL : next(count, n);
}

void *realloc(void *old, size_t n)
{
	static void *_Atomic cell;
	void *(*next)(void *, size_t) = (void *(*)(void *, size_t))next_of("realloc", &cell);
	return refused() ? NULL : next(old, n);
}

void *aligned_alloc(size_t alignment, size_t n)
{
	static void *_Atomic cell;
	void *(*next)(size_t, size_t) = (void *(*)(size_t, size_t))next_of("aligned_alloc", &cell);
	return refused() ? NULL : next(alignment, n);
}
