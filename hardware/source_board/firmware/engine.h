/* The waveform engine: Timer 1 free-running at 2 MHz; every edge of the bridge is made by a compare unit in
 * hardware at an exact tick, the interrupt after it only prepares the next one.
 *
 * A period is cut into equal segments: 2 halves (square), 10 chips (coded), 32 slots of pulse-width modulation
 * (sine: 16 pulses per half with widths of 0.8 sin times the slot: at the electrodes they have full height, the
 * receiver's averaging makes the sine, of 0.8 the height).
 * Positive and negative pulses have the same widths by construction, so the net charge of a whole period is zero
 * to the tick for any period length; what does not divide evenly becomes dead time at the period's end.
 */
#ifndef ENGINE_H
#define ENGINE_H

#include <stdbool.h>
#include <stdint.h>

#define TICK_HZ       (F_CPU / 8)
#define DEAD_TICKS    120UL    /* 60 us between opposite polarities, centred on the ideal edge */
#define SETTLE_TICKS  100000UL /* 50 ms from ENERGISE to the first period; what happens in them: */
#define PROVE_CLAMP   50000UL  /* from 0: relays open, regulator asked for 13 V; from here the rail falls back */
#define PROVE_RELAYS  80000UL  /* 40 ms: bridge driven with both relays open, nothing may flow */
#define CLOSE_RELAY   84000UL  /* 42 ms: the electrode's relay closes */
#define MIN_PERIOD    20000UL  /* 10 ms */
#define MAX_PERIOD    400000UL /* 200 ms */
#define BLANK_TICKS   24000UL  /* an electrode relay gets at least half of this to open, and to close */
#define SINE_DEPTH    80       /* percent: longest pulse of `sine` */

enum waveform { WAVEFORM_SQUARE, WAVEFORM_SINE, WAVEFORM_CODED };

struct configuration { /* as in the CONFIGURE body */
	uint8_t waveform;
	uint8_t electrode;
	uint32_t period_ticks;
	uint32_t current_limit_uA;
} __attribute__((packed));

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
/* In the time before the first period. */
enum proof { PROOF_NONE, PROOF_CLAMP, PROOF_SETTLING, PROOF_RELAYS };
enum proof engine_proof(void);
uint16_t coarse_ticks(void); /* the tick counter in units of 2.048 ms; interrupts must be off */
bool engine_ten_volts(void);

extern volatile uint8_t engine_age_ms; /* since the last event, likewise */
uint64_t tick_now(void);

#endif
