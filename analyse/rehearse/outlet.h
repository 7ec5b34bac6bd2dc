/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Where the bytes of a rehearsal go: a file, standard output, a device, or a
 * pseudo-terminal made for the purpose; as fast as possible or in time. */
#ifndef TRAMMEL_REHEARSE_OUTLET_H
#define TRAMMEL_REHEARSE_OUTLET_H

#include "analyse/rehearse/sender.h"
#include "common/fault.h"
#include "common/link.h"

#include <stddef.h>

struct outlet;

/* A file to be made; "-" = standard output. */
struct outlet *outlet_file(const char *path, enum link_kind link, struct fault *fault);

/* A device or FIFO that exists; set raw when it is a terminal. */
struct outlet *outlet_device(const char *path, enum link_kind link, struct fault *fault);

/* A pseudo-terminal: `slave` is the path of its other end.  Waits for nothing
 * yet. */
struct outlet *outlet_pty(enum link_kind link, char *slave, size_t slave_size, struct fault *fault);

/* Returns when somebody has opened the other end of the pseudo-terminal. */
int outlet_wait_for_reader(struct outlet *o, struct fault *fault);

struct rehearse_sink outlet_sink(struct outlet *o);

/* Ends an unfinished frame and writes what is buffered.  A live outlet that
 * nobody reads throws bytes away, as a serial line does. */
int outlet_flush(struct outlet *o, struct fault *fault);

/* Flushes and closes.  The fault is the first that happened. */
int outlet_close(struct outlet *o, struct fault *fault);

/* Closes after another fault; nothing more is written. */
void outlet_abandon(struct outlet *o);

#endif
