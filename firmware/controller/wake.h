/* SPDX-License-Identifier: 0BSD */
/* What an interrupt other than the capture sets when it leaves something for
 * the main loop (the capture tells by its ring: it has no cycles to spare). */
#ifndef CONTROLLER_WAKE_H
#define CONTROLLER_WAKE_H

#include <stdbool.h>

extern volatile bool wake;

#endif
