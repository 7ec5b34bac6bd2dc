/* SPDX-License-Identifier: 0BSD */
/* Is there somebody at the other end of the serial line?  A port cannot tell
 * whether what it sends is heard.  But the far end's transmit line rests high,
 * and a pull-down resistor makes D0 low when nothing drives it: low for
 * LINK_LOSS_US means the plug is out, high for as long that it is in again.
 * The receiver stays off; D0 is read as a plain input. */
#ifndef CONTROLLER_LINE_H
#define CONTROLLER_LINE_H

#include <stdbool.h>
#include <stdint.h>

struct line {
	bool away;
	uint32_t steady_us; /* D0 last agreed with `away` */
	uint32_t gone_us;   /* when it went away */
};

/* What a look found. */
enum line_change { LINE_AS_BEFORE, LINE_LOST, LINE_BACK };

/* Looks at D0; call it every millisecond or so. */
enum line_change line_look(struct line *l, uint32_t now_us);

#endif
