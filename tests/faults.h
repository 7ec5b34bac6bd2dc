/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Fault drivers for trammeld: one function a goal, short in `make check`, long
 * in `make faults`.  Each prints one line and returns 0 when it passed. */
#ifndef TRAMMEL_FAULTS_H
#define TRAMMEL_FAULTS_H

#include "tests/logd_rig.h"

/* `n` scales the trials; what it counts stands with each. */
int faults_kill(unsigned n);      /* G7, G22: kill -9 at n random moments */
int faults_disk(unsigned n);      /* G10, G11: the k-th call fails, k up to n */
int faults_short(unsigned n);     /* G10: a write takes only some bytes, n lengths */
int faults_full(unsigned n);      /* G10: a real small file system fills up and drains, n times */
int faults_brim(unsigned n);      /* G10: a file system too small for the log, n times */
int faults_flip(unsigned n);      /* G12: read-only and back, n times */
int faults_freeze(unsigned n);    /* G14: the disk freezes for n seconds at full line rate */
int faults_watchdog(unsigned n);  /* G15: disk freeze of n seconds, then a stuck receiver */
int faults_replug(unsigned n);    /* G16: n unplug cycles on ptys */
int faults_unplug(unsigned n);    /* G16: n rides with the plug out for a second */
int faults_wait(unsigned n);      /* G16: n starts before the port is there */
int faults_library(unsigned n);   /* G16: n cycles through the real libserialport */
int faults_restart(unsigned n);   /* G29: n starts through the real libserialport */
int faults_noise(unsigned n);     /* G17: n seconds of garbage */
int faults_heap(unsigned n);      /* G13: no heap after start; the first n start-up allocations fail */
int faults_start(unsigned n);     /* G13: the first n calls for descriptors, threads, memory fail */
int faults_cut(unsigned n);       /* G6, G9: power cut at every call of n recorded runs */
int faults_clock(unsigned n);     /* G26: calendar steps for n seconds */
int faults_race(unsigned n);      /* G30: n pairs started together */
int faults_retention(unsigned n); /* G21: n recordings under a small cap, after every disk call */
int faults_cap(unsigned n);       /* G21: the same after n thousand turns of the store */
int faults_cost(unsigned n);      /* G33: what n seconds of recording write and sync */
int faults_soak(unsigned n);      /* G20: n seconds of everything at line rate */

/* Runs `trial(ctx, i, r)` for i = 0..n-1 in `workers` processes; adds up the results. */
void faults_spread(unsigned n, unsigned workers, void (*trial)(unsigned i, struct logd_result *r),
                   struct logd_result *r);

/* A file of `records` numbered records for the text link; its bytes. */
void faults_input(const char *path, uint32_t records, enum link_kind kind);

#endif
