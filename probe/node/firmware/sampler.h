/* The sampler: Timer 1 starts every conversion in hardware, so that the time
 * of a conversion does not hang on what the program is doing; interrupts sum,
 * watch the limits and fill blocks; the main program sends full blocks.
 *
 * A scan converts the chosen channels in turn, 1 << shift times over, and
 * sums each channel. All conversions are the same number of ticks apart. */
#ifndef SAMPLER_H
#define SAMPLER_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

typedef struct {
	uint32_t first; /* number of its first scan since the start */
	uint32_t clock; /* device clock at the first conversion of that scan */
	uint8_t scans;
	volatile bool full;
	/* The frame: a free byte for COBS, type, header, samples, checksum and
	 * delimiter. Interrupts write the samples where they will be sent. */
	uint8_t frame[1 + FRAME_MAX + 1];
} block_t;

typedef struct {
	uint32_t period; /* ticks from scan to scan, as it really is */
	uint8_t mask;    /* 0: not sampling */
	uint8_t shift;
	uint8_t channels;
} stream_t;

void sampler_init(void);

/* The device clock in ticks; wraps after 2^32 of them. */
uint32_t sampler_clock(void);

/* NOTE_DONE or what is wrong. A running stream is replaced. A block is closed
 * after so many ticks. */
uint8_t sampler_start(uint8_t mask, uint8_t shift, uint32_t period, uint16_t block_ticks);
void sampler_stop(void);
const stream_t *sampler_stream(void);

/* The oldest full block, or 0. Free it when it has been sent. */
block_t *sampler_full_block(void);
void sampler_free_block(block_t *block);

/* Scans lost on the board since the last call. */
uint16_t sampler_take_lost(void);

/* Limits in codes of one conversion; low 0 and high ADC_TOP or more: none. */
void sampler_limit(uint8_t channel, uint16_t low, uint16_t high);

/* Every limit is on a channel that is being sampled. */
bool sampler_watched(void);

/* Every limited channel is inside its limits. */
bool sampler_inside(void);

#endif
