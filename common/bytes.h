/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Little-endian numbers and variable-length integers in byte buffers.
 *
 * A varint is LEB128: seven bits a byte, least significant first, the top bit
 * set on all but the last byte.  Signed numbers go through zigzag (0, -1, 1,
 * -2 ... become 0, 1, 2, 3 ...).  Everything here is the same on any host. */
#ifndef TRAMMEL_BYTES_H
#define TRAMMEL_BYTES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

static inline uint16_t bytes_get_u16(const uint8_t *p)
{
	return (uint16_t)(p[0] | p[1] << 8);
}

static inline uint32_t bytes_get_u32(const uint8_t *p)
{
	return (uint32_t)p[0] | (uint32_t)p[1] << 8 | (uint32_t)p[2] << 16 | (uint32_t)p[3] << 24;
}

static inline uint64_t bytes_get_u64(const uint8_t *p)
{
	return bytes_get_u32(p) | (uint64_t)bytes_get_u32(p + 4) << 32;
}

static inline uint8_t *bytes_put_u8(uint8_t *p, unsigned v)
{
	*p = (uint8_t)v;
	return p + 1;
}

static inline uint8_t *bytes_put_u16(uint8_t *p, unsigned v)
{
	p[0] = (uint8_t)v;
	p[1] = (uint8_t)(v >> 8);
	return p + 2;
}

static inline uint8_t *bytes_put_u32(uint8_t *p, uint32_t v)
{
	return bytes_put_u16(bytes_put_u16(p, v & 0xffff), v >> 16);
}

static inline uint8_t *bytes_put_u64(uint8_t *p, uint64_t v)
{
	return bytes_put_u32(bytes_put_u32(p, (uint32_t)v), (uint32_t)(v >> 32));
}

static inline uint64_t bytes_zigzag(int64_t v)
{
	return (uint64_t)v << 1 ^ (v < 0 ? UINT64_MAX : 0);
}

static inline int64_t bytes_unzigzag(uint64_t v)
{
	return (int64_t)(v >> 1 ^ (v & 1 ? UINT64_MAX : 0));
}

/* At most 10 bytes. */
static inline uint8_t *bytes_put_varint(uint8_t *p, uint64_t v)
{
	while (v >= 0x80) {
		*p++ = (uint8_t)(v | 0x80);
		v >>= 7;
	}
	*p++ = (uint8_t)v;
	return p;
}

/* Careful reading: past the end, or with a number too large, `bad` is set,
 * zeros come out and nothing outside is touched. */
struct bytes_in {
	const uint8_t *at, *end;
	bool bad;
};

static inline size_t bytes_in_left(const struct bytes_in *in)
{
	return (size_t)(in->end - in->at);
}

/* The next n bytes, or NULL. */
static inline const uint8_t *bytes_in_take(struct bytes_in *in, size_t n)
{
	if (bytes_in_left(in) < n) {
		in->bad = true;
		return NULL;
	}
	in->at += n;
	return in->at - n;
}

static inline uint8_t bytes_in_u8(struct bytes_in *in)
{
	const uint8_t *p = bytes_in_take(in, 1);
	return p == NULL ? 0 : *p;
}

static inline uint16_t bytes_in_u16(struct bytes_in *in)
{
	const uint8_t *p = bytes_in_take(in, 2);
	return p == NULL ? 0 : bytes_get_u16(p);
}

/* A varint of at most `bits` significant bits (32 or 64). */
static inline uint64_t bytes_in_varint(struct bytes_in *in, unsigned bits)
{
	uint64_t v = 0;
	for (unsigned shift = 0; shift < bits; shift += 7) {
		uint8_t b = bytes_in_u8(in);
		uint64_t part = b & 0x7f;
		if (bits - shift < 7 && part >> (bits - shift) != 0)
			break;
		v |= part << shift;
		if ((b & 0x80) == 0)
			return v;
	}
	in->bad = true;
	return 0;
}

#endif
