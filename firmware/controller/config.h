/* SPDX-License-Identifier: 0BSD */
/* The machine as this controller finds it: change this page to suit yours.
 * Every value may also be given to the compiler (-DTEETH=24). */
#ifndef CONTROLLER_CONFIG_H
#define CONTROLLER_CONFIG_H

/* Who sends; key=value words may follow (common/LINK.md). */
#ifndef SENDER_NAME
#define SENDER_NAME "Number 7 tick_us=1"
#endif

/* --- wheel and index switch --- */
#ifndef TEETH
#define TEETH 36
#endif
/* Crank angle, 0.1 degree, at which the index switch closes, and from there to
 * the next rising edge of a tooth.  Set the switch so that it closes between
 * two teeth, far from both. */
#ifndef INDEX_DDEG
#define INDEX_DDEG 145
#endif
#ifndef FIRST_TOOTH_DDEG
#define FIRST_TOOTH_DDEG 40
#endif
/* A closing of the switch this soon after its last change is a bounce, us. */
#ifndef INDEX_BLANK_US
#define INDEX_BLANK_US 3000
#endif

/* --- valves: D4 to D7, high = coil on --- */
#define VALVES 4
#define INLETS 0x05 /* bit per valve: these are shut when in doubt */

/* A coil may be on this long at a stretch from cold, ms, and this part of the
 * time, of 256, for ever. */
#ifndef COIL_LONGEST_MS
#define COIL_LONGEST_MS 4000
#endif
#ifndef COIL_DUTY
#define COIL_DUTY 180
#endif

/* --- analog inputs --- */
/* Channels A0 to A5 that are sampled, in this order, each RATE_HZ times a
 * second.  One conversion takes 110 us: channels times rate is 8000 at most. */
#ifndef CHANNELS
#define CHANNELS 0, 1, 2, 3
#endif
#ifndef CHANNELS_WORDS
#define CHANNELS_WORDS "channels=0:supply,1:cap,2:rod,3:tank"
#endif
#ifndef RATE_HZ
#define RATE_HZ 1000
#endif

/* Supply sensor: its channel, counts at 0 bar gauge, counts for 10 bar more. */
#ifndef SUPPLY_CHANNEL
#define SUPPLY_CHANNEL 0
#endif
#ifndef SUPPLY_ZERO
#define SUPPLY_ZERO 102
#endif
#ifndef SUPPLY_10_BAR
#define SUPPLY_10_BAR 819
#endif

/* Throttle: a lever with a potentiometer on this channel, shut below
 * THROTTLE_SHUT counts.  255 = no lever; the run switch (D3 to ground) rules
 * alone. */
#ifndef THROTTLE_CHANNEL
#define THROTTLE_CHANNEL 255
#endif
#ifndef THROTTLE_SHUT
#define THROTTLE_SHUT 100
#endif

/* --- when in doubt --- */
/* No tooth for this long: the crank stands, us. */
#ifndef STALL_US
#define STALL_US 400000
#endif
/* Shortest turn, us: the inlets stay shut above this speed (240 rpm). */
#ifndef SHORTEST_TURN_US
#define SHORTEST_TURN_US 250000
#endif
/* Slower than this, us a turn, the start setting rules (50 rpm). */
#ifndef START_TURN_US
#define START_TURN_US 1200000
#endif
/* And then these coils go off at this angle instead of the table's: late, for
 * torque.  65536ths of a turn by CRANK_TURN(0.1 degree); START_AS_TABLE = no
 * difference. */
#define START_AS_TABLE 0xffff
#ifndef START_SHUTS
#define START_SHUTS CRANK_TURN(1300), START_AS_TABLE, CRANK_TURN(3100), START_AS_TABLE
#endif
/* Pulses that no crank can make before the teeth are not believed. */
#ifndef NOISE_MOST
#define NOISE_MOST 3
#endif

/* --- link --- */
/* 1: the inlets shut when nobody is plugged in at the serial line, seen at D0
 * (line.h; needs the resistor of README.md).  0: the engine runs on unheard. */
#ifndef LINK_LOSS_SHUTS
#define LINK_LOSS_SHUTS 1
#endif
/* D0 must be low this long, us: longer than any byte or break of a host. */
#ifndef LINK_LOSS_US
#define LINK_LOSS_US 20000
#endif
#ifndef SEND_BUFFER
#define SEND_BUFFER 640
#endif
#if SEND_BUFFER < 265
#error "SEND_BUFFER: a hello may need 265 bytes"
#endif
#define HELLO_US 5000000u

#endif
