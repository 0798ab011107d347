#include "link.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/crc16.h>

#include "protocol.h"

/* 256 bytes, so that the indices wrap by themselves. */
static uint8_t ring[256];
static volatile uint8_t ring_in;
static uint8_t ring_out;
static volatile bool ring_lost;

static const uint8_t *sending;
static uint8_t left;

/* The command in work: undone COBS. */
static uint8_t command[COMMAND_MAX + 2];
static uint8_t command_length;
static uint8_t code_left; /* bytes until the next code byte */
static bool zero_due;     /* a zero stood before it */
static bool damaged;

ISR(USART_RX_vect) {
	uint8_t status = UCSR0A;
	uint8_t byte = UDR0;
	uint8_t next = ring_in + 1;
	if ((status & (_BV(FE0) | _BV(DOR0))) || next == ring_out)
		ring_lost = true;
	if (next == ring_out)
		return;
	ring[ring_in] = byte;
	ring_in = next;
}

void link_init(void) {
	UCSR0A = 0;
	UBRR0 = 0; /* 16 MHz / 16 = 1 Mbaud, without error */
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
	/* Whatever the line held before the start ends here. */
	static const uint8_t delimiter = 0;
	sending = &delimiter;
	left = 1;
}

void link_poll(void) {
	if (left && (UCSR0A & _BV(UDRE0))) {
		UDR0 = *sending++;
		left--;
	}
}

bool link_busy(void) {
	return left != 0;
}

/* CRC-16/IBM-3740: polynomial 0x1021, preset 0xFFFF, no reflection. */
uint16_t link_crc(const uint8_t *bytes, uint8_t length) {
	uint16_t sum = 0xFFFF;
	while (length--)
		sum = _crc_xmodem_update(sum, *bytes++);
	return sum;
}

/* A frame is at most 254 bytes long, so it has one code byte at its start and
 * one in the place of each zero. */
void link_send(uint8_t *frame, uint8_t length) {
	uint16_t sum = link_crc(frame + 1, length);
	frame[++length] = sum >> 8;
	frame[++length] = sum & 0xFF;
	uint8_t last = 0;
	for (uint8_t i = 1; i <= length; i++) {
		if (frame[i] == 0) {
			frame[last] = i - last;
			last = i;
		}
	}
	frame[last] = length + 1 - last;
	frame[length + 1] = 0;
	sending = frame;
	left = length + 2;
}

static void put(uint8_t byte) {
	if (command_length < sizeof(command))
		command[command_length++] = byte;
	else
		damaged = true;
}

/* Undoes COBS byte by byte. */
static void unstuff(uint8_t byte) {
	if (code_left == 0) {
		if (zero_due)
			put(0);
		zero_due = byte != 0xFF;
		code_left = byte - 1;
		return;
	}
	put(byte);
	code_left--;
}

static received_t end_frame(const uint8_t **out, uint8_t *length) {
	uint8_t n = command_length;
	bool bad = damaged || code_left || ring_lost;
	bool empty = n == 0 && !zero_due && !bad;
	command_length = 0;
	code_left = 0;
	zero_due = false;
	damaged = false;
	ring_lost = false;
	if (empty)
		return LINK_NOTHING;
	if (bad || n < 3 || link_crc(command, n) != 0)
		return LINK_DAMAGED;
	*out = command;
	*length = n - 2;
	return LINK_COMMAND;
}

received_t link_receive(const uint8_t **out, uint8_t *length) {
	while (ring_out != ring_in) {
		uint8_t byte = ring[ring_out++];
		if (byte != 0) {
			unstuff(byte);
			continue;
		}
		received_t got = end_frame(out, length);
		if (got != LINK_NOTHING)
			return got;
	}
	return LINK_NOTHING;
}
