/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Opening a serial port through libserialport. */
#ifndef TRAMMEL_SOURCE_PORT_H
#define TRAMMEL_SOURCE_PORT_H

#include "common/fault.h"

#include <stdbool.h>

/* True when the library knows `path` as a serial port.  `path` must be
 * resolved already: the library refuses symbolic links. */
bool source_port_known(const char *path);

/* Opens `path` at `baud`, 8 data bits, no parity, 1 stop bit, no flow
 * control, DTR and RTS as they are.  Returns the descriptor, or -1 with
 * `fault`; `speed` is what the driver settled on.  The library uses the heap
 * while this runs, and only then. */
int source_port_open(const char *path, int baud, int *speed, struct fault *fault);

#endif
