/* The cut-out output: PD4, high while power is allowed, low while it is cut.
 *
 * It is low from reset on, goes high on the host's command alone, and goes
 * low by itself when the host is silent or a limit is passed. While the chip
 * is in reset the pin floats: the board needs a pull-down resistor (10 k). */
#ifndef CUTOUT_H
#define CUTOUT_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

#define CUTOUT_PIN _BV(PD4)
#define HOST_SILENCE_TICKS (HOST_SILENCE_MS * (TICK_HZ / 1000))

typedef struct {
	bool on;
	uint8_t why;
	uint8_t channel; /* whose limit was passed, or NO_CHANNEL */
	uint16_t sample; /* what it read then */
	uint32_t since;  /* device clock of the last change */
	bool changed;    /* the host has not been told yet */
} cutout_t;

/* Both are shared with interrupts: main touches them with interrupts off. */
extern volatile cutout_t cutout;
extern volatile uint32_t host_ticks_left;

/* For use with interrupts off, as in an interrupt routine. The first reason
 * stays: what comes after the output is low tells nothing new. */
static inline void cutout_drop(uint8_t why, uint8_t channel, uint16_t sample, uint32_t now) {
	PORTD &= ~CUTOUT_PIN;
	if (!cutout.on)
		return;
	cutout.on = false;
	cutout.why = why;
	cutout.channel = channel;
	cutout.sample = sample;
	cutout.since = now;
	cutout.changed = true;
}

static inline void cutout_time_passed(uint16_t ticks, uint32_t now) {
	uint32_t left = host_ticks_left;
	if (left > ticks) {
		host_ticks_left = left - ticks;
		return;
	}
	host_ticks_left = 0;
	cutout_drop(WHY_HOST_SILENT, NO_CHANNEL, 0, now);
}

void cutout_init(void);

/* A good frame came from the host. */
void cutout_host_heard(void);

void cutout_cut(uint8_t why);

/* Allows power. False when the host's word is too old. */
bool cutout_restore(void);

/* A consistent copy; the change counts as told. */
cutout_t cutout_tell(void);

bool cutout_untold(void);

#endif
