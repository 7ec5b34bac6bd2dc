/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzzer of the binary link.  An even first byte: the rest goes on the wire as
 * it is.  Odd: the rest is split at zeros into frames which get a right
 * checksum and stuffing, so that the fuzzer comes past them. */
#include "common/bytes.h"
#include "common/cobs.h"
#include "common/crc.h"
#include "common/frames.h"
#include "tests/fuzz_link.h"

#include <string.h>

#define PIECE_MAX (FRAMES_RAW_MAX - FRAMES_CHECK)

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n);

/* Frames of 64 bytes at most: length byte, content. */
static size_t as_frames(const uint8_t *bytes, size_t n, uint8_t *wire, size_t size)
{
	size_t len = 0;
	for (size_t at = 0; at < n;) {
		uint8_t raw[FRAMES_RAW_MAX];
		size_t body = bytes[at++] % (PIECE_MAX + 1);
		body = body < n - at ? body : n - at;
		if (len + FRAMES_WIRE_MAX + 1 > size)
			break;
		memcpy(raw, bytes + at, body);
		bytes_put_u16(raw + body, crc16(raw, body));
		len += cobs_encode(raw, body + FRAMES_CHECK, wire + len);
		wire[len++] = 0;
		at += body;
	}
	return len;
}

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n)
{
	uint8_t wire[16384];
	if (n == 0)
		return 0;
	if (bytes[0] % 2 == 0)
		fuzz_link(LINK_FRAMES, bytes + 1, n - 1);
	else
		fuzz_link(LINK_FRAMES, wire, as_frames(bytes + 1, n - 1, wire, sizeof wire));
	return 0;
}
