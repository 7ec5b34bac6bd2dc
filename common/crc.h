/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The two checksums: CRC-16/IBM-3740 for link frames (small on a
 * microcontroller) and CRC-32C, Castagnoli, for segment blocks (RFC 3720
 * appendix B.4 has its test values). */
#ifndef TRAMMEL_CRC_H
#define TRAMMEL_CRC_H

#include <stddef.h>
#include <stdint.h>

/* Polynomial 0x1021, start 0xffff, not reflected, no final xor. */
uint16_t crc16(const uint8_t *bytes, size_t n);

/* Polynomial 0x1edc6f41, reflected, start and final xor all ones. */
uint32_t crc32c(const uint8_t *bytes, size_t n);

#endif
