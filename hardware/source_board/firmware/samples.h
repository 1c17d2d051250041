/* The converter's round: one converter takes current and voltage in turn, 208 us apart; one slot in sixteen goes to
 * battery, temperature, the 2.5 V reference and the bridge rail. What may not wait is judged here, sample by sample, in the
 * interrupt: over-current, over-voltage, current while off. Sums for the main loop (measure.h) are made here too.
 */
#ifndef SAMPLES_H
#define SAMPLES_H

#include <stdbool.h>
#include <stdint.h>

/* 10-bit counts around mid-supply: 25 mA and 16 V at half scale (board.h). */
#define CURRENT_COUNTS(uA) ((uint16_t)((uint32_t)(uA) * 512UL / 25000UL))
#define VOLTAGE_COUNTS(mV) ((uint16_t)((uint32_t)(mV) * 512UL / 16000UL))

enum slow { SLOW_BATTERY, SLOW_TEMPERATURE, SLOW_REFERENCE, SLOW_RAIL, SLOW_CHANNELS };

struct half {
	int32_t current_sum, voltage_sum;
	uint16_t current_count, voltage_count;
	bool negative, full;
};

struct idle { /* voltage samples of the water while off */
	int32_t sum;
	uint32_t square_sum;
	uint16_t count;
};

void samples_init(void);
void samples_set_limits(uint16_t current_counts, uint16_t voltage_counts);

/* From the engine, interrupts off. */
void samples_start(void);
void samples_half_ended(bool negative);

void samples_forget_leak(void);
/* Milliseconds since the last conversion: the tick adds one, every conversion starts again. */
extern volatile uint8_t converter_age_ms;

/* For the main loop: what has been gathered, handed over once. */
bool samples_take_half(struct half *h);
uint8_t samples_take_slow(uint16_t value[SLOW_CHANNELS]); /* a bit per channel that is new */
void samples_take_idle(struct idle *i);
uint16_t samples_peak(void);     /* largest current since ENERGISE */
uint16_t samples_rail_top(void); /* largest rail since ENERGISE */

#endif
