/* The line: 1 Mbaud, 8N1. Frames are checksummed (CRC-16/IBM-3740), stuffed
 * (COBS) and ended by a zero byte. */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stdint.h>

#define COMMAND_MAX 64 /* type and body */

void link_init(void);

/* Moves one byte to the line if it has room. Call it all the time. */
void link_poll(void);

bool link_busy(void);

/* Sends a frame in place: frame[1] is the type, length counts type and body.
 * frame[0] and three bytes after the body must be free; all of it must stay
 * until link_busy says no. */
void link_send(uint8_t *frame, uint8_t length);

typedef enum { LINK_NOTHING, LINK_COMMAND, LINK_DAMAGED } received_t;

/* The checksum; 0 over what has its own behind it. */
uint16_t link_crc(const uint8_t *bytes, uint8_t length);

/* Takes what has come. A command (type, body) stays good until the next call. */
received_t link_receive(const uint8_t **command, uint8_t *length);

#endif
