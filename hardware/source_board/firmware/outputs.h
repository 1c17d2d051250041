/* The pins that can put current into the water, all but the edges that the compare units make. */
#ifndef OUTPUTS_H
#define OUTPUTS_H

#include <stdbool.h>
#include <stdint.h>

/* In the time before the first period. */
enum proof { PROOF_NONE, PROOF_CLAMP, PROOF_SETTLING, PROOF_RELAYS };

void outputs_off(void); /* every one low at once, compare latches cleared; interrupts must be off */
void outputs_start(void); /* bridge supply on, regulator asked for 13 V, both relays open */
void close_electrode(uint8_t electrode);
void open_electrodes(void);

/* Whether the pins are those that a running engine has set. A bit of a port that has turned over is not. */
bool outputs_are_as_set(enum proof proof);
bool outputs_are_off(void);

#endif
