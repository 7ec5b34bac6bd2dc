/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the processor can do beyond what the program is built for. */
#ifndef TRAMMEL_PROCESSOR_H
#define TRAMMEL_PROCESSOR_H

#include <stdbool.h>

/* Four doubles abreast, by functions of their own with __attribute__((target("avx2"))). */
static inline bool processor_is_wide(void)
{
#ifdef __x86_64__
	return __builtin_cpu_supports("avx2");
#else
	return false;
#endif
}

#endif
