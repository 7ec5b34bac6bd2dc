/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fuzzer of the text link: the bytes are the stream. */
#include "tests/fuzz_link.h"

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n);

int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t n)
{
	fuzz_link(LINK_LINES, bytes, n);
	return 0;
}
