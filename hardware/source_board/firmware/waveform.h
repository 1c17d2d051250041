/* What one period is made of: equal segments, each with a polarity and a pulse. Worked out while off, constant while on.
 *
 * 2 halves (square), 10 chips (coded), 32 slots of pulse-width modulation (sine: 16 pulses per half with widths of 0.8 sin
 * times the slot: at the electrodes they have full height, the receiver's averaging makes the sine, of 0.8 the height).
 * Positive and negative pulses have the same widths by construction, so the net charge of a whole period is zero to the
 * tick for any period length; what does not divide evenly becomes dead time at the period's end.
 */
#ifndef WAVEFORM_H
#define WAVEFORM_H

#include <avr/pgmspace.h>
#include <stdbool.h>
#include <stdint.h>

#define DEAD_TICKS    120UL   /* 60 us between opposite polarities, centred on the ideal edge */
#define MIN_PULSE     120     /* ticks: the shortest pulse whose end can be prepared in time */
#define MIN_PERIOD    20000UL /* 10 ms */
#define MAX_PERIOD    400000UL /* 200 ms */
#define SINE_DEPTH    80      /* percent: longest pulse of `sine` */
#define SINE_SLOTS    32
#define CODED_CHIPS   10

enum waveform { WAVEFORM_SQUARE, WAVEFORM_SINE, WAVEFORM_CODED };

struct configuration { /* as in the CONFIGURE body */
	uint8_t waveform;
	uint8_t electrode;
	uint32_t period_ticks;
	uint32_t current_limit_uA;
} __attribute__((packed));

struct plan {
	uint8_t waveform, segments;
	uint32_t period, segment_ticks;
	uint16_t pulse_width[SINE_SLOTS / 2], pulse_lead[SINE_SLOTS / 2]; /* sine: each slot's pulse, the gap before it */
};
extern struct plan plan;
extern const uint8_t coded_positive[CODED_CHIPS] PROGMEM;

void plan_period(const struct configuration *c);

/* Asked for on the way to the next edge: inline. */
static inline bool segment_is_negative(uint8_t k)
{
	if (plan.waveform == WAVEFORM_CODED)
		return !pgm_read_byte(&coded_positive[k]);
	return k >= plan.segments / 2;
}

/* Whether the next chip has this one's polarity: then there is no edge between them. */
static inline bool segment_joins_next(uint8_t k)
{
	return plan.waveform == WAVEFORM_CODED && k + 1 < plan.segments && segment_is_negative(k + 1) == segment_is_negative(k);
}

/* Whether a half (a chip) ends with this segment. */
static inline bool segment_ends_half(uint8_t k)
{
	return plan.waveform != WAVEFORM_SINE || (k & (SINE_SLOTS / 2 - 1)) == SINE_SLOTS / 2 - 1;
}

#endif
