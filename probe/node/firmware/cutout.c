#include "cutout.h"

#include <util/atomic.h>

#include "sampler.h"

volatile cutout_t cutout;
volatile uint32_t host_ticks_left;

void cutout_init(void) {
	PORTD &= ~CUTOUT_PIN;
	DDRD |= CUTOUT_PIN;
	cutout.why = WHY_STARTED;
	cutout.channel = NO_CHANNEL;
}

void cutout_host_heard(void) {
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		host_ticks_left = HOST_SILENCE_TICKS;
	}
}

void cutout_cut(uint8_t why) {
	uint32_t now = sampler_clock();
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		cutout_drop(why, NO_CHANNEL, 0, now);
	}
}

bool cutout_restore(void) {
	uint32_t now = sampler_clock();
	bool done = false;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (host_ticks_left > 0) {
			if (!cutout.on) {
				cutout.on = true;
				cutout.why = WHY_COMMAND;
				cutout.channel = NO_CHANNEL;
				cutout.sample = 0;
				cutout.since = now;
				cutout.changed = true;
			}
			PORTD |= CUTOUT_PIN;
			done = true;
		}
	}
	return done;
}

cutout_t cutout_tell(void) {
	cutout_t copy;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		cutout.changed = false;
		copy = cutout;
	}
	return copy;
}

bool cutout_untold(void) {
	return cutout.changed;
}
