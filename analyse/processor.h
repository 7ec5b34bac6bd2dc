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

/* Eight abreast, by functions with target(PROCESSOR_WIDEST).  gcc has to be told to go so far, clang does. */
#ifdef __clang__
#define PROCESSOR_WIDEST "avx512f,avx512dq,avx512vl,avx512bw"
#else
#define PROCESSOR_WIDEST "avx512f,avx512dq,avx512vl,avx512bw,prefer-vector-width=512"
#endif

static inline bool processor_is_widest(void)
{
#ifdef __x86_64__
	return __builtin_cpu_supports("avx512f") && __builtin_cpu_supports("avx512dq") &&
	       __builtin_cpu_supports("avx512vl") && __builtin_cpu_supports("avx512bw");
#else
	return false;
#endif
}

#endif
