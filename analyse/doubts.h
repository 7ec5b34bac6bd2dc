/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What in a ride's figures cannot be right, or is too little to go by, and which way the cause
 * lies.  Thresholds are judgement, set so that a healthy ride raises none. */
#ifndef TRAMMEL_DOUBTS_H
#define TRAMMEL_DOUBTS_H

#include "analyse/report.h"

#define DOUBTS_TURNS_LEAST 15 /* fewer are too few for means to settle */

/* Adds to the report's warnings. */
void doubts_say(struct report *r);

#endif
