#include "sampler.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "cutout.h"

#define IDLE_INTERVAL 2000 /* ticks: the clock and the host's silence are kept at 1 ms */
#define ADMUX_AVCC _BV(REFS0)
#define ADC_CLOCK (_BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)) /* 16 MHz / 128 = 125 kHz */
#define ADC_TIMED (_BV(ADEN) | _BV(ADATE) | _BV(ADIE) | _BV(ADIF) | ADC_CLOCK)
#define TIMER_RUN (_BV(WGM12) | _BV(CS11)) /* up to OCR1A, 16 MHz / 8 */

/* Shared with the interrupts below; main touches them with interrupts off or
 * while the sampler is stopped. */
static volatile uint32_t clock_ticks; /* device clock at the last timer match */
static volatile uint16_t interval;
static volatile uint8_t matches; /* timer matches since the last conversion */
static volatile uint16_t lost;
static volatile uint8_t outside; /* channels out of their limits, or not sampled yet */

static stream_t stream;
static uint8_t pins[CHANNELS]; /* channel numbers, in scan order */
static uint8_t block_scans;
static block_t blocks[2];

/* The scan in work. */
static uint8_t position;  /* index into pins */
static uint8_t round_no;  /* of 1 << shift */
static uint8_t rounds;
static uint16_t sums[CHANNELS];
static uint32_t scan_no;
static bool storing;
static uint8_t turn; /* which block is filled next or now */
static uint16_t *write_at;
static block_t *filling;

/* Limits: as set, and times the number of conversions summed. */
static uint8_t limited;
static uint16_t low_code[CHANNELS], high_code[CHANNELS];
static uint16_t low_sum[CHANNELS], high_sum[CHANNELS];
static uint16_t last[CHANNELS];
static uint8_t sampled; /* channels for which last holds a sample */

static void close_block(void) {
	if (filling) {
		filling->full = true;
		filling = 0;
		turn ^= 1;
	}
}

static inline void begin_scan(void) {
	if (!filling && !blocks[turn].full) {
		filling = &blocks[turn];
		filling->first = scan_no;
		filling->clock = clock_ticks;
		filling->scans = 0;
		write_at = (uint16_t *)(filling->frame + 1 + SAMPLES_HEADER);
	}
	storing = filling != 0;
}

static inline void watch(uint8_t pin, uint16_t sample) {
	uint8_t bit = 1 << pin;
	last[pin] = sample;
	sampled |= bit;
	if (sample >= low_sum[pin] && sample <= high_sum[pin]) {
		outside &= ~bit;
		return;
	}
	outside |= bit;
	cutout_drop(WHY_LIMIT, pin, sample, clock_ticks);
}

static inline void end_scan(void) {
	scan_no++;
	if (!storing) {
		lost++;
		return;
	}
	if (++filling->scans == block_scans)
		close_block();
}

/* A match came while the last conversion was not yet fetched: a conversion is
 * missing. The scan in work is given up, and the block closed so that the
 * scans in a block stay evenly spaced; the host sees the gap in the numbers. */
static void spoil_scan(void) {
	position = 0;
	round_no = 0;
	for (uint8_t i = 0; i < CHANNELS; i++)
		sums[i] = 0;
	scan_no++;
	lost++;
	if (filling && filling->scans)
		close_block();
	else
		filling = 0;
}

/* The timer and the trigger of the converter match at the same instant. */
ISR(TIMER1_COMPA_vect) {
	uint16_t ticks = interval;
	uint32_t now = clock_ticks + ticks;
	clock_ticks = now;
	matches++;
	cutout_time_passed(ticks, now);
}

ISR(ADC_vect) {
	uint16_t code = ADC;
	uint8_t at = position;
	uint8_t next = at + 1;
	bool late = matches != 1;
	bool last_round = round_no + 1 == rounds;

	if (next == stream.channels)
		next = 0;
	if (late)
		next = 0;
	/* In this order: the next trigger works only after the flag is clear, so
	 * a late interrupt loses a conversion but never converts a wrong pin. */
	ADMUX = ADMUX_AVCC | pins[next];
	matches = 0;
	TIFR1 = _BV(OCF1B);
	position = next;
	if (late) {
		spoil_scan();
		return;
	}

	if (at == 0 && round_no == 0)
		begin_scan();
	uint16_t sum = sums[at] + code;
	if (last_round) {
		sums[at] = 0;
		if (storing)
			*write_at++ = sum;
		watch(pins[at], sum);
	} else {
		sums[at] = sum;
	}
	if (next != 0)
		return;
	if (!last_round) {
		round_no++;
		return;
	}
	round_no = 0;
	end_scan();
}

/* With interrupts off. The clock keeps what has passed since the last match. */
static void set_interval(uint16_t ticks) {
	TCCR1B = _BV(WGM12);
	clock_ticks += TCNT1;
	if (TIFR1 & _BV(OCF1A))
		clock_ticks += interval;
	TCNT1 = 0;
	interval = ticks;
	OCR1A = ticks - 1;
	OCR1B = ticks - 1;
	TIFR1 = _BV(OCF1A) | _BV(OCF1B);
	matches = 0;
	TCCR1B = TIMER_RUN;
}

void sampler_init(void) {
	TCCR1A = 0;
	TIMSK1 = _BV(OCIE1A);
	DIDR0 = 0x3F; /* no digital input on the analogue pins */
	/* The first conversion takes 25 clocks and is thrown away. */
	ADMUX = ADMUX_AVCC;
	ADCSRB = _BV(ADTS2) | _BV(ADTS0); /* trigger: Timer 1 compare match B */
	ADCSRA = _BV(ADEN) | ADC_CLOCK;
	ADCSRA |= _BV(ADSC);
	while (ADCSRA & _BV(ADSC))
		;
	for (uint8_t i = 0; i < CHANNELS; i++) {
		high_code[i] = ADC_TOP;
		high_sum[i] = 0xFFFF;
	}
	set_interval(IDLE_INTERVAL);
}

uint32_t sampler_clock(void) {
	uint32_t now;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		uint16_t count = TCNT1;
		now = clock_ticks;
		if (TIFR1 & _BV(OCF1A)) {
			count = TCNT1;
			now += interval;
		}
		now += count;
	}
	return now;
}

/* A sum passes a limit when its mean over the conversions does. */
static void scale_limit(uint8_t channel) {
	uint16_t high = high_code[channel];
	low_sum[channel] = low_code[channel] << stream.shift;
	high_sum[channel] = high >= ADC_TOP ? 0xFFFF : high << stream.shift;
}

static void check_last(uint8_t channel) {
	uint8_t bit = 1 << channel;
	uint16_t sample = last[channel];
	if ((sampled & bit) && sample >= low_sum[channel] && sample <= high_sum[channel])
		outside &= ~bit;
	else
		outside |= bit;
}

/* With interrupts off. */
static void halt(void) {
	ADCSRA = _BV(ADEN) | _BV(ADIF) | ADC_CLOCK;
	stream.mask = 0;
	sampled = 0;
	outside = 0xFF;
	filling = 0;
	blocks[0].full = blocks[1].full = false;
	turn = 0;
}

void sampler_stop(void) {
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		halt();
		set_interval(IDLE_INTERVAL);
	}
}

uint8_t sampler_start(uint8_t mask, uint8_t shift, uint32_t period, uint16_t block_ticks) {
	uint8_t channels = 0;
	for (uint8_t i = 0; i < CHANNELS; i++)
		channels += (mask >> i) & 1;
	if (channels == 0 || shift > MAX_SHIFT)
		return NOTE_RANGE;
	uint16_t conversions = (uint16_t)channels << shift;
	uint32_t ticks = period / conversions;
	if (ticks < SHORTEST_INTERVAL)
		return NOTE_TOO_FAST;
	if (ticks > LONGEST_INTERVAL)
		return NOTE_RANGE;

	period = ticks * conversions;
	uint32_t scans = block_ticks / period;
	uint8_t most = BLOCK_SAMPLES / channels;
	sampler_stop();
	/* The converter's interrupt is off: nothing else touches these now. */
	stream.shift = shift;
	stream.period = period;
	stream.channels = channels;
	block_scans = scans < 1 ? 1 : scans > most ? most : scans;
	rounds = 1 << shift;
	for (uint8_t i = 0, n = 0; i < CHANNELS; i++) {
		sums[i] = 0;
		scale_limit(i);
		if ((mask >> i) & 1)
			pins[n++] = i;
	}
	position = 0;
	round_no = 0;
	scan_no = 0;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		lost = 0;
		stream.mask = mask;
		ADMUX = ADMUX_AVCC | pins[0];
		set_interval(ticks);
		ADCSRA = ADC_TIMED;
	}
	return NOTE_DONE;
}

const stream_t *sampler_stream(void) {
	return &stream;
}

block_t *sampler_full_block(void) {
	block_t *oldest = 0;
	/* If the block whose turn it is to be filled is full, both are, and it is
	 * the older one. */
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (blocks[turn].full)
			oldest = &blocks[turn];
		else if (blocks[turn ^ 1].full)
			oldest = &blocks[turn ^ 1];
	}
	return oldest;
}

void sampler_free_block(block_t *block) {
	block->full = false;
}

uint16_t sampler_take_lost(void) {
	uint16_t n;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		n = lost;
		lost = 0;
	}
	return n;
}

void sampler_limit(uint8_t channel, uint16_t low, uint16_t high) {
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		low_code[channel] = low;
		high_code[channel] = high;
		if (low > 0 || high < ADC_TOP)
			limited |= 1 << channel;
		else
			limited &= ~(1 << channel);
		scale_limit(channel);
		check_last(channel);
	}
}

bool sampler_watched(void) {
	return (limited & ~stream.mask) == 0;
}

bool sampler_inside(void) {
	return (outside & limited) == 0;
}
