/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What both link fuzzers demand of any bytes.  Static: each fuzzer is a
 * program of one file. */
#ifndef TRAMMEL_FUZZ_LINK_H
#define TRAMMEL_FUZZ_LINK_H

#include "common/link_unit.h"

/* Aborts when `good` is false, so that fuzzer and test see it alike. */
void fuzz_demand(bool good);

/* Decodes the bytes whole and in pieces; both must give the same records,
 * damage and counts; every byte of damage lies inside; every record can be sent
 * and comes back the same over this link. */
void fuzz_link(enum link_kind kind, const uint8_t *bytes, size_t n);

#endif
