/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Both checksums take eight bytes a step with eight tables.  A CRC is linear:
 * the entry for a byte is the exclusive-or of the entries of its bits, so the
 * compiler builds each table from the eight entries of single bits.  Row k
 * holds those of a byte that k more bytes follow. */
#include "common/crc.h"

#include "common/bytes.h"

#define BIT(n, bit, entry) ((n) >> (bit)&1 ? (entry) : 0)
#define ENTRY(n, a, b, c, d, e, f, g, h)                                                                     \
	(BIT(n, 0, a) ^ BIT(n, 1, b) ^ BIT(n, 2, c) ^ BIT(n, 3, d) ^ BIT(n, 4, e) ^ BIT(n, 5, f) ^           \
	 BIT(n, 6, g) ^ BIT(n, 7, h))
#define FOUR(n, ...)                                                                                         \
	ENTRY(n, __VA_ARGS__), ENTRY((n) + 1, __VA_ARGS__), ENTRY((n) + 2, __VA_ARGS__),                     \
	    ENTRY((n) + 3, __VA_ARGS__)
#define SIXTEEN(n, ...)                                                                                      \
	FOUR(n, __VA_ARGS__), FOUR((n) + 4, __VA_ARGS__), FOUR((n) + 8, __VA_ARGS__),                        \
	    FOUR((n) + 12, __VA_ARGS__)
#define SIXTYFOUR(n, ...)                                                                                    \
	SIXTEEN(n, __VA_ARGS__), SIXTEEN((n) + 16, __VA_ARGS__), SIXTEEN((n) + 32, __VA_ARGS__),             \
	    SIXTEEN((n) + 48, __VA_ARGS__)
#define TABLE(...)                                                                                           \
	{                                                                                                    \
		SIXTYFOUR(0, __VA_ARGS__), SIXTYFOUR(64, __VA_ARGS__), SIXTYFOUR(128, __VA_ARGS__),          \
		    SIXTYFOUR(192, __VA_ARGS__)                                                              \
	}

static const uint16_t table16[8][256] = {
    TABLE(0x1021, 0x2042, 0x4084, 0x8108, 0x1231, 0x2462, 0x48c4, 0x9188),
    TABLE(0x3331, 0x6662, 0xccc4, 0x89a9, 0x0373, 0x06e6, 0x0dcc, 0x1b98),
    TABLE(0x3730, 0x6e60, 0xdcc0, 0xa9a1, 0x4363, 0x86c6, 0x1dad, 0x3b5a),
    TABLE(0x76b4, 0xed68, 0xcaf1, 0x85c3, 0x1ba7, 0x374e, 0x6e9c, 0xdd38),
    TABLE(0xaa51, 0x4483, 0x8906, 0x022d, 0x045a, 0x08b4, 0x1168, 0x22d0),
    TABLE(0x45a0, 0x8b40, 0x06a1, 0x0d42, 0x1a84, 0x3508, 0x6a10, 0xd420),
    TABLE(0xb861, 0x60e3, 0xc1c6, 0x93ad, 0x377b, 0x6ef6, 0xddec, 0xabf9),
    TABLE(0x47d3, 0x8fa6, 0x0f6d, 0x1eda, 0x3db4, 0x7b68, 0xf6d0, 0xfd81),
};

static const uint32_t table32[8][256] = {
    TABLE(0xf26b8303, 0xe13b70f7, 0xc79a971f, 0x8ad958cf, 0x105ec76f, 0x20bd8ede, 0x417b1dbc, 0x82f63b78),
    TABLE(0x13a29877, 0x274530ee, 0x4e8a61dc, 0x9d14c3b8, 0x3fc5f181, 0x7f8be302, 0xff17c604, 0xfbc3faf9),
    TABLE(0xa541927e, 0x4f6f520d, 0x9edea41a, 0x38513ec5, 0x70a27d8a, 0xe144fb14, 0xc76580d9, 0x8b277743),
    TABLE(0xdd45aab8, 0xbf672381, 0x7b2231f3, 0xf64463e6, 0xe964b13d, 0xd725148b, 0xaba65fe7, 0x52a0c93f),
    TABLE(0x38116fac, 0x7022df58, 0xe045beb0, 0xc5670b91, 0x8f2261d3, 0x1ba8b557, 0x37516aae, 0x6ea2d55c),
    TABLE(0xef306b19, 0xdb8ca0c3, 0xb2f53777, 0x6006181f, 0xc00c303e, 0x85f4168d, 0x0e045beb, 0x1c08b7d6),
    TABLE(0x68032cc8, 0xd0065990, 0xa5e0c5d1, 0x4e2dfd53, 0x9c5bfaa6, 0x3d5b83bd, 0x7ab7077a, 0xf56e0ef4),
    TABLE(0x493c7d27, 0x9278fa4e, 0x211d826d, 0x423b04da, 0x847609b4, 0x0d006599, 0x1a00cb32, 0x34019664),
};

uint16_t crc16(const uint8_t *p, size_t n)
{
	unsigned crc = 0xffff;
	for (; n >= 8; n -= 8, p += 8)
		crc = table16[7][p[0] ^ crc >> 8] ^ table16[6][p[1] ^ (crc & 0xff)] ^ table16[5][p[2]] ^
		      table16[4][p[3]] ^ table16[3][p[4]] ^ table16[2][p[5]] ^ table16[1][p[6]] ^
		      table16[0][p[7]];
	for (; n > 0; n--, p++)
		crc = (crc << 8 & 0xffff) ^ table16[0][crc >> 8 ^ *p];
	return (uint16_t)crc;
}

uint32_t crc32c(const uint8_t *p, size_t n)
{
	uint32_t crc = 0xffffffff;
	for (; n >= 8; n -= 8, p += 8) {
		uint32_t a = bytes_get_u32(p) ^ crc, b = bytes_get_u32(p + 4);
		crc = table32[7][a & 0xff] ^ table32[6][a >> 8 & 0xff] ^ table32[5][a >> 16 & 0xff] ^
		      table32[4][a >> 24] ^ table32[3][b & 0xff] ^ table32[2][b >> 8 & 0xff] ^
		      table32[1][b >> 16 & 0xff] ^ table32[0][b >> 24];
	}
	for (; n > 0; n--, p++)
		crc = crc >> 8 ^ table32[0][(crc ^ *p) & 0xff];
	return ~crc;
}
