/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Consistent overhead byte stuffing: makes any bytes free of zeros, so that a
 * zero can end a frame.  S. Cheshire and M. Baker, IEEE/ACM Transactions on
 * Networking 7(2), 1999. */
#ifndef TRAMMEL_COBS_H
#define TRAMMEL_COBS_H

#include <stddef.h>
#include <stdint.h>

/* Longest encoded form of n bytes, without the zero that ends a frame. */
#define COBS_MAX(n) ((n) + (n) / 254 + 1)

/* Encodes n bytes into `out` (COBS_MAX(n) bytes, not overlapping `in`);
 * returns the encoded length. */
size_t cobs_encode(const uint8_t *in, size_t n, uint8_t *out);

/* Decodes n bytes (the zero at the end not included) into `out` (n bytes; may
 * be `in` itself).  Returns the decoded length, or -1 when the bytes are no
 * encoding: empty, a zero inside, or a code that points past the end. */
ptrdiff_t cobs_decode(const uint8_t *in, size_t n, uint8_t *out);

#endif
