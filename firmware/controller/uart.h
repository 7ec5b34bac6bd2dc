/* SPDX-License-Identifier: 0BSD */
/* The serial port, 500 000 baud, sending only: takes a stretch of bytes and
 * works it off by interrupt, straight from where they stand. */
#ifndef CONTROLLER_UART_H
#define CONTROLLER_UART_H

#include <stdbool.h>
#include <stdint.h>

void uart_start(void);

/* True while the last stretch has bytes to go. */
bool uart_busy(void);

/* Starts sending n (1 to 255) bytes, which must stay.  Only when not busy. */
void uart_send(const uint8_t *bytes, uint8_t n);

#endif
