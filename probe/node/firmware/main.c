/* Firmware of the node: an ATmega328P at 16 MHz that samples its converter,
 * streams the samples over its serial port and holds a cut-out output.
 * PROTOCOL.md, beside this folder, has the bytes. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "cutout.h"
#include "link.h"
#include "monitor.h"
#include "protocol.h"
#include "sampler.h"
#include "settings.h"

static uint8_t reply[1 + 2 + CAL_RECORD + 3];

static struct {
	bool hello, state, note, cal;
	uint8_t cal_slot;
	uint8_t hello_cause;
	uint8_t note_to, note_code;
	uint16_t note_detail;
} due;

static uint8_t last_tag;
static block_t *on_the_line;

/* After a reset by the watchdog it keeps running: stop it before anything. */
void stop_watchdog(void) __attribute__((naked, used, section(".init3")));
void stop_watchdog(void) {
	MCUSR = 0;
	wdt_disable();
}

static uint8_t *put8(uint8_t *at, uint8_t v) {
	*at++ = v;
	return at;
}

static uint8_t *put16(uint8_t *at, uint16_t v) {
	return put8(put8(at, v & 0xFF), v >> 8);
}

static uint8_t *put32(uint8_t *at, uint32_t v) {
	return put16(put16(at, v & 0xFFFF), v >> 16);
}

static uint16_t get16(const uint8_t *at) {
	return at[0] | (uint16_t)at[1] << 8;
}

static uint32_t get32(const uint8_t *at) {
	return get16(at) | (uint32_t)get16(at + 2) << 16;
}

static void send_reply(uint8_t *end) {
	link_send(reply, end - (reply + 1));
}

static void send_hello(void) {
	uint8_t *at = put8(reply + 1, MSG_HELLO);
	at = put8(at, PROTOCOL_VERSION);
	at = put8(at, FIRMWARE_MAJOR);
	at = put8(at, FIRMWARE_MINOR);
	at = put8(at, due.hello_cause);
	at = put32(at, settings_board_id());
	at = put8(at, CHANNELS);
	at = put8(at, ADC_BITS);
	at = put16(at, REFERENCE_MV);
	at = put32(at, TICK_HZ);
	at = put32(at, sampler_clock());
	at = put16(at, SHORTEST_INTERVAL);
	at = put16(at, LONGEST_INTERVAL);
	at = put16(at, HOST_SILENCE_MS);
	at = put8(at, HAS_CALIBRATION | (monitor_found() ? HAS_MONITOR : 0));
	at = put16(at, MONITOR_BUS_UV);
	at = put16(at, MONITOR_SHUNT_NV);
	send_reply(at);
}

static void send_state(void) {
	cutout_t now = cutout_tell();
	uint8_t *at = put8(reply + 1, MSG_STATE);
	at = put8(at, now.on);
	at = put8(at, now.why);
	at = put8(at, now.channel);
	at = put16(at, now.sample);
	at = put32(at, now.since);
	at = put32(at, sampler_clock());
	at = put8(at, last_tag);
	send_reply(at);
}

static void send_note(void) {
	uint8_t *at = put8(reply + 1, MSG_NOTE);
	at = put8(at, due.note_to);
	at = put8(at, due.note_code);
	at = put16(at, due.note_detail);
	send_reply(at);
}

static void send_cal(void) {
	uint8_t *at = put8(reply + 1, MSG_CAL);
	at = put8(at, due.cal_slot);
	settings_read(due.cal_slot, at);
	send_reply(at + CAL_RECORD);
}

static void send_monitor(const monitor_sample_t *sample) {
	uint8_t *at = put8(reply + 1, MSG_MONITOR);
	at = put32(at, sample->number);
	at = put32(at, sample->clock);
	at = put8(at, sample->status);
	at = put16(at, sample->bus);
	at = put16(at, sample->shunt);
	send_reply(at);
}

static void send_samples(block_t *block) {
	const stream_t *stream = sampler_stream();
	uint8_t *at = put8(block->frame + 1, MSG_SAMPLES);
	at = put32(at, block->first);
	at = put32(at, block->clock);
	at = put32(at, stream->period);
	at = put8(at, stream->mask);
	at = put8(at, stream->shift);
	at = put8(at, block->scans);
	link_send(block->frame, SAMPLES_HEADER + 2 * block->scans * stream->channels);
}

static void answer(uint8_t to, uint8_t code, uint16_t detail) {
	due.note = true;
	due.note_to = to;
	due.note_code = code;
	due.note_detail = detail;
}

static void free_sent(void) {
	if (on_the_line)
		sampler_free_block(on_the_line);
	on_the_line = 0;
}

/* A block on its way to the line is in the memory that a start fills anew. */
static void finish_sending(void) {
	while (link_busy())
		link_poll();
	free_sent();
}

/* A limit that nothing watches is no protection: power goes. */
static void require_watch(void) {
	if (!sampler_watched())
		cutout_cut(WHY_NOT_WATCHED);
}

/* How long a block may get may stand behind what every start has. */
static uint8_t start(const uint8_t *body, uint8_t length) {
	uint8_t ms = length > 6 ? body[6] : 0;
	if (monitor_found() && (body[0] & MONITOR_PINS))
		return NOTE_RANGE;
	finish_sending();
	uint16_t block = ms == 0 || ms > BLOCK_TICKS / BLOCK_MS_TICKS ? BLOCK_TICKS : ms * BLOCK_MS_TICKS;
	uint8_t code = sampler_start(body[0], body[1], get32(body + 2), block);
	if (code == NOTE_DONE)
		require_watch();
	return code;
}

static uint8_t stop(void) {
	finish_sending();
	sampler_stop();
	require_watch();
	return NOTE_DONE;
}

static uint8_t limit(const uint8_t *body) {
	uint8_t channel = body[0];
	uint16_t low = get16(body + 1), high = get16(body + 3);
	if (channel >= CHANNELS || low > ADC_TOP || low > high)
		return NOTE_RANGE;
	sampler_limit(channel, low, high);
	require_watch();
	return NOTE_DONE;
}

static uint8_t restore(void) {
	if (!sampler_watched() || !sampler_inside() || !cutout_restore())
		return NOTE_REFUSED;
	return NOTE_DONE;
}

static uint8_t read_cal(const uint8_t *body) {
	if (body[0] >= CAL_SLOTS)
		return NOTE_RANGE;
	due.cal = true;
	due.cal_slot = body[0];
	return NOTE_DONE;
}

/* The note comes when the record is written, a fifth of a second later. */
static uint8_t write_cal(const uint8_t *record) {
	if (record[CAL_CHANNEL_AT] >= CAL_SLOTS)
		return NOTE_RANGE;
	if (record[0] != CAL_ERASED && link_crc(record, CAL_RECORD) != 0)
		return NOTE_RANGE;
	settings_write(record[CAL_CHANNEL_AT], record);
	return NOTE_DONE;
}

static int8_t body_length(uint8_t type) {
	switch (type) {
	case CMD_WRITE_CAL:
		return CAL_RECORD;
	case CMD_START:
		return 6;
	case CMD_LIMIT:
		return 5;
	case CMD_MONITOR:
		return 4;
	case CMD_KEEP_ALIVE:
	case CMD_READ_CAL:
		return 1;
	case CMD_HELLO:
	case CMD_STOP:
	case CMD_CUT:
	case CMD_RESTORE:
		return 0;
	}
	return -1;
}

/* Longer bodies are later versions' business: what is known of them counts. */
static void obey(const uint8_t *command, uint8_t length) {
	uint8_t type = command[0];
	const uint8_t *body = command + 1;
	int8_t wanted = body_length(type);
	uint8_t code = NOTE_DONE;

	cutout_host_heard();
	if (wanted < 0) {
		answer(type, NOTE_UNKNOWN, 0);
		return;
	}
	if (length - 1 < wanted) {
		answer(type, NOTE_LENGTH, wanted);
		return;
	}
	switch (type) {
	case CMD_HELLO:
		due.hello = true;
		due.hello_cause = HELLO_ASKED;
		return;
	case CMD_KEEP_ALIVE:
		last_tag = body[0];
		due.state = true;
		return;
	case CMD_START:
		code = start(body, length - 1);
		break;
	case CMD_STOP:
		code = stop();
		break;
	case CMD_CUT:
		cutout_cut(WHY_COMMAND);
		break;
	case CMD_RESTORE:
		code = restore();
		break;
	case CMD_LIMIT:
		code = limit(body);
		break;
	case CMD_READ_CAL:
		code = read_cal(body);
		break;
	case CMD_WRITE_CAL:
		code = write_cal(body);
		if (code == NOTE_DONE)
			return;
		break;
	case CMD_MONITOR:
		code = monitor_start(get32(body));
		break;
	}
	answer(type, code, code == NOTE_TOO_FAST ? SHORTEST_INTERVAL : 0);
}

/* One answer is kept at a time: no command is taken while one waits. */
static void receive(void) {
	const uint8_t *command;
	uint8_t length;
	if (due.note)
		return;
	switch (link_receive(&command, &length)) {
	case LINK_COMMAND:
		obey(command, length);
		break;
	case LINK_DAMAGED:
		answer(0, NOTE_BAD_FRAME, 0);
		break;
	case LINK_NOTHING:
		break;
	}
}

static void tell_unasked(void) {
	if (due.note)
		return;
	if (settings_poll()) {
		answer(CMD_WRITE_CAL, NOTE_DONE, 0);
		return;
	}
	uint16_t lost = sampler_take_lost();
	if (lost)
		answer(0, NOTE_LOST, lost);
}

/* What the host waits for goes before samples. */
static void transmit(void) {
	link_poll();
	if (link_busy())
		return;
	free_sent();
	monitor_sample_t sample;
	if (due.hello) {
		due.hello = false;
		send_hello();
	} else if (due.state || cutout_untold()) {
		due.state = false;
		send_state();
	} else if (due.cal) {
		due.cal = false;
		send_cal();
	} else if (due.note) {
		due.note = false;
		send_note();
	} else if (monitor_take(&sample)) {
		send_monitor(&sample);
	} else {
		on_the_line = sampler_full_block();
		if (on_the_line)
			send_samples(on_the_line);
	}
}

int main(void) {
	cutout_init();
	link_init();
	sampler_init();
	wdt_enable(WDTO_120MS);
	sei();
	monitor_init();
	due.hello = true;
	due.hello_cause = HELLO_STARTED;
	for (;;) {
		/* The line is fed between all pieces of work: it takes a byte each
		 * 10 us, and a whole turn lasts longer. */
		wdt_reset();
		receive();
		link_poll();
		tell_unasked();
		link_poll();
		monitor_poll();
		transmit();
	}
}
