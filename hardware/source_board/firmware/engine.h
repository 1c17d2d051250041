/* The waveform engine: Timer 1 free-running at 2 MHz; every edge of the bridge is made by a compare unit in
 * hardware at an exact tick, the interrupt after it only prepares the next one.
 *
 * waveform.h says what a period is made of, outputs.h holds the pins that no edge is made on, ticks.h the time.
 */
#ifndef ENGINE_H
#define ENGINE_H

#include <stdbool.h>
#include <stdint.h>

#include "outputs.h"
#include "waveform.h"

#define SETTLE_TICKS  100000UL /* 50 ms from ENERGISE to the first period; what happens in them: */
#define PROVE_CLAMP   50000UL  /* from 0: relays open, regulator asked for 13 V; from here the rail falls back */
#define PROVE_RELAYS  80000UL  /* 40 ms: bridge driven with both relays open, nothing may flow */
#define CLOSE_RELAY   84000UL  /* 42 ms: the electrode's relay closes */
#define BLANK_TICKS   24000UL  /* an electrode relay gets at least half of this to open, and to close */

void engine_init(void);
void engine_configure(const struct configuration *c);

/* Outputs off at once, compare latches cleared. From any context. */
void engine_stop(void);
/* Interrupts must be off. */
void engine_start(void);

/* Choose the electrode; returns the tick from which it holds, 0 when not energised. */
uint64_t engine_select(uint8_t electrode);
uint8_t engine_electrode(void);
/* From an interrupt: a sample taken now sees a pulse that began long enough ago and will not end during it. */
bool engine_steady(void);
bool engine_switched(uint64_t *tick); /* true once after each switch while energised */
void engine_position(uint32_t *cycles, uint64_t *cycle_tick);

/* Every millisecond: while energised the pins must be those of the engine's place, otherwise all outputs low. */
void engine_guard(void);
void engine_stay_off(void);
enum proof engine_proof(void);
bool engine_ten_volts(void);

extern volatile uint8_t engine_age_ms; /* since the last event, likewise */

#endif
