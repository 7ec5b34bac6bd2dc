/* SPDX-License-Identifier: 0BSD */
#include "line.h"
#include "config.h"

#include <avr/io.h>

enum line_change line_look(struct line *l, uint32_t now_us)
{
	bool low = !(PIND & _BV(PIND0));
	if (low == l->away) {
		l->steady_us = now_us;
		return LINE_AS_BEFORE;
	}
	if (now_us - l->steady_us < LINK_LOSS_US)
		return LINE_AS_BEFORE;
	if (low)
		l->gone_us = l->steady_us;
	l->away = low;
	l->steady_us = now_us;
	return low ? LINE_LOST : LINE_BACK;
}
