#include "samples.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdlib.h>
#include <util/atomic.h>

#include "board.h"
#include "engine.h"
#include "guarded.h"
#include "limits.h"
#include "state.h"
#include "ticks.h"

#define MID                512
#define SLOW_EVERY         16
#define ADC_ON             (_BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)) /* 125 kHz: 104 us each */
#define ZERO_SAMPLES       64
#define MOST_IDLE          1000

static const uint8_t slow_channel[SLOW_CHANNELS] = { ADC_BATTERY, ADC_TEMPERATURE, ADC_REFERENCE, ADC_RAIL };

volatile uint8_t converter_age_ms;
static struct guarded16 limit_counts = { CURRENT_COUNTS(DEFAULT_LIMIT_UA), (uint16_t)~CURRENT_COUNTS(DEFAULT_LIMIT_UA) };
static struct guarded16 voltage_limit_counts = { VOLTAGE_COUNTS(MAX_VOLTAGE_MV),
	                                         (uint16_t)~VOLTAGE_COUNTS(MAX_VOLTAGE_MV) };
static volatile uint16_t peak_counts;
/* The current's zero, measured while nothing is driven. */
static volatile int8_t zero_counts;
static int16_t zero_sum;
static uint8_t zero_samples;

static uint8_t channel, sequence, slow_index, leak_score, half_number, sample_half;
static bool second_of_pair, sample_steady, current_was_over, voltage_was_over;
static int32_t current_sum, voltage_sum;
static uint16_t current_count, voltage_count;

/* Two, so that one may be filled while the other is judged. */
static struct half halves[2];
static uint8_t half_in, half_out;

static volatile uint16_t slow_value[SLOW_CHANNELS];
static volatile uint16_t rail_top; /* in counts */
static volatile uint8_t slow_ready; /* bit per slow channel */
static struct idle idle;

void samples_init(void)
{
	channel = ADC_CURRENT;
	ADMUX = _BV(REFS0) | channel;
	ADCSRA = ADC_ON | _BV(ADIE) | _BV(ADSC);
}

void samples_set_limits(uint16_t current, uint16_t voltage)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		guarded16_set(&limit_counts, current);
		guarded16_set(&voltage_limit_counts, voltage);
	}
}

static void clear_half(void)
{
	current_sum = 0;
	voltage_sum = 0;
	current_count = 0;
	voltage_count = 0;
}

void samples_start(void)
{
	clear_half();
	sample_steady = false;
	current_was_over = false;
	voltage_was_over = false;
	peak_counts = 0;
	halves[0].full = false;
	halves[1].full = false;
	half_in = 0;
	half_out = 0;
	rail_top = 0;
}

void samples_forget_leak(void)
{
	leak_score = 0;
}

void samples_half_ended(bool negative)
{
	struct half *h = &halves[half_in];

	h->current_sum = current_sum;
	h->voltage_sum = voltage_sum;
	h->current_count = current_count;
	h->voltage_count = voltage_count;
	h->negative = negative;
	h->full = true;
	half_in ^= 1;
	half_number++; /* a conversion still running belongs to the half that ended: it will not count */
	clear_half();
}

static void find_zero(int16_t counts)
{
	if (abs(counts) > 2 * ZERO_COUNTS) /* a current: that is judged, not taken for zero */
		return;
	zero_sum += counts;
	if (++zero_samples < ZERO_SAMPLES)
		return;
	int16_t mean = (zero_sum + (zero_sum < 0 ? -ZERO_SAMPLES / 2 : ZERO_SAMPLES / 2)) / ZERO_SAMPLES;
	zero_counts = (int8_t)(mean > ZERO_COUNTS ? ZERO_COUNTS : mean < -ZERO_COUNTS ? -ZERO_COUNTS : mean);
	zero_sum = 0;
	zero_samples = 0;
}

static void take_current(int16_t counts, bool counts_for_half, uint8_t half)
{
	uint8_t at = board_state();

	if (at != STATE_ENERGISED)
		find_zero(counts);
	counts -= zero_counts;
	uint16_t size = (uint16_t)abs(counts);
	if (at == STATE_ENERGISED) {
		if (size > peak_counts)
			peak_counts = size;
		/* Two samples in a row, 0.2 ms: a real overload stays, an edge's spike does not. */
		if (size > limit_counts.value || !guarded16_sound(&limit_counts)) {
			if (current_was_over)
				trip(TRIP_OVER_CURRENT);
			current_was_over = true;
		} else {
			current_was_over = false;
		}
		if (counts_for_half) {
			ATOMIC_BLOCK(ATOMIC_FORCEON) {
				if (half == half_number) {
					current_sum += counts;
					current_count++;
				}
			}
		}
	}
	/* Nothing may flow while the output is off, nor into relays that ought to be open. */
	if (size > CURRENT_COUNTS(LEAK_UA) && (at != STATE_ENERGISED || engine_proof() == PROOF_RELAYS)) {
		leak_score += at == STATE_ENERGISED ? LEAK_SAMPLES / 2 : 1;
		if (leak_score >= LEAK_SAMPLES) {
			leak_score = 0;
			trip(TRIP_DISAGREEMENT);
		}
	} else if (leak_score) {
		leak_score--;
	}
}

static void take_voltage(int16_t counts, bool counts_for_half, uint8_t half)
{
	uint16_t size = (uint16_t)abs(counts);
	uint8_t at = board_state();

	if (at == STATE_ENERGISED || at == STATE_ARMED) {
		if (size > voltage_limit_counts.value || !guarded16_sound(&voltage_limit_counts)) {
			if (voltage_was_over)
				trip(TRIP_OVER_VOLTAGE);
			voltage_was_over = true;
		} else {
			voltage_was_over = false;
		}
	}
	if (at == STATE_ENERGISED) {
		if (counts_for_half) {
			ATOMIC_BLOCK(ATOMIC_FORCEON) {
				if (half == half_number) {
					voltage_sum += counts;
					voltage_count++;
				}
			}
		}
	} else if (idle.count < MOST_IDLE) {
		idle.sum += counts;
		idle.square_sum += (uint32_t)((int32_t)counts * counts);
		idle.count++;
	}
}

ISR(ADC_vect)
{
	uint16_t value = ADC;
	uint8_t done = channel, half = sample_half;
	bool steady = sample_steady, first_of_pair = false;

	/* The test of the clamp chooses the rail next: what has just been converted may be another (the battery was
	 * taken for the rail at some starts). */
	uint8_t finished = slow_index;

	/* Start the next conversion first: the judging below happens while it runs. */
	sample_steady = engine_steady();
	sample_half = half_number;
	if (done >= ADC_BATTERY && done != ADC_VOLTAGE_B && !second_of_pair) {
		/* A slow channel is read twice: the first after a switch of source may not have settled. */
		second_of_pair = first_of_pair = true;
	} else {
		second_of_pair = false;
		sequence++;
		if (engine_proof() == PROOF_CLAMP)
			slow_index = SLOW_RAIL;
		if (sequence % SLOW_EVERY == SLOW_EVERY - 1)
			channel = slow_channel[slow_index];
		else if (sequence & 1)
			channel = engine_electrode() ? ADC_VOLTAGE_B : ADC_VOLTAGE_A;
		else
			channel = ADC_CURRENT;
		ADMUX = _BV(REFS0) | channel;
	}
	ADCSRA = ADC_ON | _BV(ADSC); /* our own interrupt stays off until we are through */
	converter_age_ms = 0;
	alive |= ALIVE_CONVERTER;
	sei(); /* the engine's next edge does not wait for our arithmetic */

	ATOMIC_BLOCK(ATOMIC_FORCEON) heartbeat_second_look(coarse_ticks());

	if (done == ADC_CURRENT) {
		take_current((int16_t)value - MID, steady, half);
	} else if (done == ADC_VOLTAGE_A || done == ADC_VOLTAGE_B) {
		take_voltage((int16_t)value - MID, steady, half);
	} else if (!first_of_pair) {
		slow_value[finished] = value;
		slow_ready |= (uint8_t)(1 << finished);
		if (finished == SLOW_RAIL && value > rail_top)
			rail_top = value;
		slow_index = finished >= SLOW_CHANNELS - 1 ? 0 : finished + 1;
	}
	cli();
	/* A conversion that finished meanwhile has set its flag: writing a one would clear it. */
	ADCSRA = (uint8_t)(ADCSRA & ~_BV(ADIF)) | _BV(ADIE);
}

bool samples_take_half(struct half *h)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		*h = halves[half_out];
		if (h->full) {
			halves[half_out].full = false;
			half_out ^= 1;
		}
	}
	return h->full && h->current_count && h->voltage_count;
}

uint8_t samples_take_slow(uint16_t value[SLOW_CHANNELS])
{
	uint8_t ready;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		ready = slow_ready;
		slow_ready = 0;
		for (uint8_t k = 0; k < SLOW_CHANNELS; k++)
			value[k] = slow_value[k];
	}
	return ready;
}

void samples_take_idle(struct idle *i)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		*i = idle;
		idle = (struct idle){ 0 };
	}
}

uint16_t samples_peak(void)
{
	uint16_t peak;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) peak = peak_counts;
	return peak;
}

uint16_t samples_rail_top(void)
{
	return rail_top;
}
