/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "common/segment_scan.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define WINDOW (256 * 1024)

/* A head that is right before a body that is not costs reading the body.  A
 * file made of such heads could cost 4 KiB of checking for every 52 bytes, so
 * failing checks live on credit: a damaged file never uses it up. */
#define CREDIT_MAX (64 * 1024)
#define CREDIT_PER_BYTE 4

static int open_regular(const char *path)
{
	struct stat st = {0};
	int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
	if (fd < 0)
		return -1;
	if (fstat(fd, &st) == 0 && S_ISREG(st.st_mode))
		return fd;
	int why = S_ISDIR(st.st_mode) ? EISDIR : EINVAL;
	close(fd);
	errno = why;
	return -1;
}

int segment_scan_open(struct segment_scan *s, const char *path)
{
	*s = (struct segment_scan){.source.fd = open_regular(path), .credit = CREDIT_MAX};
	if (s->source.fd < 0)
		return -1;
	s->source.window = malloc(WINDOW);
	if (s->source.window != NULL)
		return 0;
	close(s->source.fd);
	errno = ENOMEM;
	return -1;
}

void segment_scan_memory(struct segment_scan *s, const uint8_t *bytes, size_t n)
{
	*s = (struct segment_scan){.source = {.fd = -1, .memory = bytes, .size = n}, .credit = CREDIT_MAX};
}

void segment_scan_close(struct segment_scan *s)
{
	free(s->source.window);
	if (s->source.fd >= 0)
		close(s->source.fd);
}

void segment_scan_rewind(struct segment_scan *s)
{
	s->at = 0;
	s->credit = CREDIT_MAX;
}

static int fill_window(struct segment_source *s, uint64_t at)
{
	s->window_at = at;
	s->window_len = 0;
	while (s->window_len < WINDOW) {
		ssize_t n = pread(s->fd, s->window + s->window_len, WINDOW - s->window_len,
		                  (off_t)(at + s->window_len));
		if (n < 0 && errno == EINTR)
			continue;
		if (n < 0)
			return -1;
		if (n == 0)
			break;
		s->window_len += (size_t)n;
	}
	return 0;
}

/* The bytes at `at`: at least a whole block's, or all that are left (`n` 0 at
 * the end).  NULL on a read error. */
static const uint8_t *look(struct segment_source *s, uint64_t at, size_t *n)
{
	if (s->fd < 0) {
		*n = (size_t)(s->size - at);
		return s->memory + at;
	}
	bool inside = at >= s->window_at && at + SEGMENT_BLOCK_MAX <= s->window_at + s->window_len;
	if (!inside && fill_window(s, at) != 0)
		return NULL;
	*n = (size_t)(s->window_at + s->window_len - at);
	return s->window + (at - s->window_at);
}

enum verdict { NO_HEAD, CUT_SHORT, BODY_DAMAGED, INTACT };

/* Is there a block at the start of these bytes? */
static enum verdict judge(struct segment_scan *s, const uint8_t *bytes, size_t n, struct segment_block *b)
{
	if (n < SEGMENT_HEAD || !segment_block_head(bytes, b))
		return NO_HEAD;
	if (b->length > n)
		return CUT_SHORT;
	if (b->length > s->credit)
		return BODY_DAMAGED;
	if (segment_block_intact(bytes, b->length))
		return INTACT;
	s->credit -= b->length;
	return BODY_DAMAGED;
}

/* n is never 0: a search that has not ended moves on. */
static bool all_zero(const uint8_t *bytes, size_t n)
{
	return n == 0 || (bytes[0] == 0 && memcmp(bytes, bytes + 1, n - 1) == 0);
}

/* Steps to the next byte where a block could begin. */
static size_t step(struct segment_scan *s, const uint8_t *bytes, size_t n)
{
	const uint8_t *next = n > 1 ? memchr(bytes + 1, SEGMENT_MAGIC_FIRST, n - 1) : NULL;
	size_t skip = next == NULL ? n : (size_t)(next - bytes);
	s->credit += CREDIT_PER_BYTE * skip;
	if (s->credit > CREDIT_MAX)
		s->credit = CREDIT_MAX;
	s->at += skip;
	return skip;
}

static const char *explain(enum verdict first, bool zeros)
{
	if (zeros)
		return "zeros: space that was never written";
	if (first == CUT_SHORT)
		return "block cut short by the end of the file";
	return first == BODY_DAMAGED ? "checksum of the block does not match" : "no block begins here";
}

int segment_scan_next(struct segment_scan *s, struct segment_found *found)
{
	enum verdict first = INTACT;
	bool zeros = true;
	found->skipped_at = s->at;
	for (;;) {
		size_t n;
		const uint8_t *bytes = look(&s->source, s->at, &n);
		if (bytes == NULL)
			return -1;
		enum verdict v = n == 0 ? NO_HEAD : judge(s, bytes, n, &found->block);
		if (s->at == found->skipped_at)
			first = v;
		if (n == 0 || v == INTACT) {
			found->offset = s->at;
			found->bytes = bytes;
			found->skipped_why = explain(first, zeros);
			s->at += n == 0 ? 0 : found->block.length;
			return n != 0;
		}
		size_t skip = step(s, bytes, n);
		zeros = zeros && all_zero(bytes, skip);
	}
}
