/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "analyse/rehearse/queue.h"

#include <string.h>

void queue_add(struct queue *q, const struct happening *h)
{
	if (q->len == QUEUE_MAX) {
		q->dropped++;
		return;
	}
	size_t at = q->len;
	while (at > 0 && q->item[at - 1].t_s <= h->t_s)
		at--;
	memmove(q->item + at + 1, q->item + at, (q->len - at) * sizeof *q->item);
	q->item[at] = *h;
	q->len++;
}

bool queue_take(struct queue *q, double t_s, struct happening *h)
{
	if (q->len == 0 || q->item[q->len - 1].t_s >= t_s)
		return false;
	*h = q->item[--q->len];
	return true;
}

void queue_forget(struct queue *q, enum happening_kind kind)
{
	size_t kept = 0;
	for (size_t i = 0; i < q->len; i++)
		if (q->item[i].kind != kind)
			q->item[kept++] = q->item[i];
	q->len = kept;
}
