/* The serial link: COBS frames with CRC-32 (docs/protocol.md), both rings bounded, strict on reception. */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stdint.h>

#define PROTOCOL_VERSION 1
#define MAX_PAYLOAD      64
#define HEADER           3 /* version, type, sequence */

void link_init(void);

/* Takes received bytes until a whole good frame is there; true then. Never waits. The frame stays valid until
 * the next call. */
bool link_receive(void);
uint8_t link_type(void);
uint8_t link_sequence(void);
const uint8_t *link_body(void);
uint8_t link_body_length(void);
uint8_t link_bad_frames(void); /* since the reset, modulo 256 */

/* Waits for room: at most the 2.6 ms that the longest frame takes on the line, for the line always drains. */
void link_send(uint8_t type, uint8_t sequence, const void *body, uint8_t length);

uint32_t crc32_update(uint32_t crc, uint8_t byte); /* start and end with ~0 and ~crc */

#endif
