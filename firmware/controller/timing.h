/* SPDX-License-Identifier: 0BSD */
/* The loaded timing: the tables of `trammel plan --header`, read at the present
 * supply pressure and speed.  TIMING_HEADER names the file; without it
 * timing_default.h. */
#ifndef CONTROLLER_TIMING_H
#define CONTROLLER_TIMING_H

#include <stdbool.h>
#include <stdint.h>

/* Checksum over all tables: tells in the log which timing was loaded. */
uint16_t timing_version(void);

/* The supply, mbar gauge: its row is the one at or next below. */
void timing_supply(uint16_t mbar_gauge);

/* The speed, as crank.h has it (2^30 / us of a turn). */
void timing_speed(uint16_t speed);

/* A bit per valve for which there is a timing. */
uint8_t timing_valves(void);

/* Angle at which to switch now, 65536ths of a turn. */
uint16_t timing_angle(uint8_t valve, bool on);

/* Where the valve is to move, 0.1 degree: the table at no speed, where no lead
 * is needed. */
int16_t timing_setting(uint8_t valve, bool on);

#endif
