#include "measure.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdlib.h>
#include <util/atomic.h>

#include "board.h"
#include "engine.h"
#include "guarded.h"
#include "limits.h"
#include "state.h"

/* 10-bit counts around mid-supply: 25 mA and 16 V at half scale (board.h). */
#define MID                512
#define CURRENT_COUNTS(uA) ((uint16_t)((uint32_t)(uA) * 512UL / 25000UL))
#define VOLTAGE_COUNTS(mV) ((uint16_t)((uint32_t)(mV) * 512UL / 16000UL))
#define SLOW_EVERY         16
#define ADC_ON             (_BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)) /* 125 kHz: 104 us each */
#define SLOW_READINGS      4  /* in a row that must be out of range */
#define ZERO_SAMPLES       64

enum slow { SLOW_BATTERY, SLOW_TEMPERATURE, SLOW_REFERENCE, SLOW_RAIL, SLOW_CHANNELS };
static const uint8_t slow_channel[SLOW_CHANNELS] = { ADC_BATTERY, ADC_TEMPERATURE, ADC_REFERENCE, ADC_RAIL };

volatile uint8_t converter_age_ms;
static uint16_t limit_uA_tenth = DEFAULT_LIMIT_UA / 10;
static struct guarded16 limit_counts = { CURRENT_COUNTS(DEFAULT_LIMIT_UA), (uint16_t)~CURRENT_COUNTS(DEFAULT_LIMIT_UA) };
static struct guarded16 voltage_limit_counts = { VOLTAGE_COUNTS(MAX_VOLTAGE_MV),
	                                         (uint16_t)~VOLTAGE_COUNTS(MAX_VOLTAGE_MV) };
static volatile uint16_t peak_counts;
/* The current's zero, measured while nothing is driven. */
static volatile int8_t zero_counts;
static int16_t zero_sum;
static uint8_t zero_samples;

/* Interrupt's own. */
static uint8_t channel, sequence, slow_index, leak_score, half_number, sample_half;
static bool second_of_pair, sample_steady, current_was_over, voltage_was_over;
static int32_t current_sum, voltage_sum;
static uint16_t current_count, voltage_count;

struct half {
	int32_t current_sum, voltage_sum;
	uint16_t current_count, voltage_count;
	bool negative, full;
};
/* Two, so that one may be filled while the other is judged. */
static struct half halves[2];
static uint8_t half_in, half_out;

static volatile uint16_t slow_value[SLOW_CHANNELS];
static volatile uint16_t rail_top; /* largest since ENERGISE, in counts */
static volatile uint8_t slow_ready; /* bit per slow channel */
static int32_t idle_sum;
static uint32_t idle_square_sum;
static uint16_t idle_count;

/* Main loop's own. */
static struct measured now;
static int32_t positive_uA_sum, negative_uA_sum, positive_mV_sum, negative_mV_sum;
static uint8_t positive_count, negative_count;
static int32_t last_positive_uA, last_negative_uA;
static bool have_positive, have_negative;
static bool last_negative, have_last;
static uint8_t asymmetric_pairs, wrong_in_a_row[2];
static uint8_t slow_bad[SLOW_CHANNELS];
/* This chip's own supply, by the 2.5 V reference: what a count is worth. */
static uint16_t supply_mV = 5000;
static uint16_t rail_now_mV;

void measure_init(void)
{
	channel = ADC_CURRENT;
	ADMUX = _BV(REFS0) | channel;
	ADCSRA = ADC_ON | _BV(ADIE) | _BV(ADSC);
}

/* Limits in counts: a count is worth what the supply makes it. */
static void count_limits(void)
{
	uint16_t current = (uint16_t)(CURRENT_COUNTS(limit_uA_tenth * 10UL) * 5000UL / supply_mV);
	uint16_t voltage = (uint16_t)(VOLTAGE_COUNTS(MAX_VOLTAGE_MV) * 5000UL / supply_mV);

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		guarded16_set(&limit_counts, current);
		guarded16_set(&voltage_limit_counts, voltage);
	}
}

void measure_set_limit(uint32_t current_uA)
{
	limit_uA_tenth = (uint16_t)(current_uA / 10);
	count_limits();
}

static void clear_half(void)
{
	current_sum = 0;
	voltage_sum = 0;
	current_count = 0;
	voltage_count = 0;
}

void measure_start(void)
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
	have_positive = false;
	have_negative = false;
	have_last = false;
	rail_top = 0;
	asymmetric_pairs = 0;
	wrong_in_a_row[0] = 0;
	wrong_in_a_row[1] = 0;
	now.current_positive_uA = 0;
	now.current_negative_uA = 0;
	now.voltage_positive_mV = 0;
	now.voltage_negative_mV = 0;
}

void measure_forget_faults(void)
{
	leak_score = 0;
	for (uint8_t k = 0; k < sizeof slow_bad; k++)
		slow_bad[k] = 0;
}

void measure_half_ended(bool negative)
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
	} else if (idle_count < 1000) {
		idle_sum += counts;
		idle_square_sum += (uint32_t)((int32_t)counts * counts);
		idle_count++;
	}
}

static uint16_t rail_mV(uint16_t counts)
{
	return (uint16_t)((uint32_t)counts * supply_mV / 256);
}

void measure_judge_clamp(void)
{
	uint16_t top = rail_mV(rail_top);

	if (top > CLAMP_MAX_MV)
		trip(TRIP_OVER_VOLTAGE);
	else if (now.battery_mV >= CLAMP_BATTERY_MV && top < CLAMP_MIN_MV)
		trip(TRIP_DISAGREEMENT);
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

/* counts summed over n samples -> units, where half scale (512 counts) is `full` at a supply of 5 V */
static int32_t scale(int32_t sum, uint16_t n, int32_t full)
{
	return sum * 64 / (int32_t)n * (full / 8) / (64 * 64) * (supply_mV / 5) / 1000;
}

static void judge_half(int32_t uA, int32_t mV, bool negative)
{
	/* Against the rail as it is: whether that is right is judge_rail's business. */
	const int32_t full_mV = rail_now_mV;
	int32_t drive_uA = negative ? -uA : uA;
	int32_t drive_mV = negative ? -mV : mV;
	int32_t explained_mV = labs(mV) + labs(uA) * (SERIES_OHM / 10) / 100;

	now.open_circuit = labs(uA) < 80 && drive_mV > full_mV * 3 / 4;
	now.limiting = labs(mV) < full_mV / 4 && labs(uA) > full_mV * 500 / SERIES_OHM;

	/* Wrong sign, more than the supply can explain (a second relay welded, the regulator failed), or less without the
	 * limiter being the reason (a dead half, a dead sense amplifier, a converter that always reads the same). */
	bool wrong = drive_uA < -500 || drive_mV < -500 || explained_mV > full_mV + full_mV / 8
	             || (explained_mV < full_mV - full_mV / 10 && labs(uA) < LIMITER_UA * 3 / 4);
	/* Twice in a row in one direction: a lost half makes every other one wrong. */
	if (!wrong)
		wrong_in_a_row[negative] = 0;
	else if (++wrong_in_a_row[negative] >= 2)
		trip(TRIP_DISAGREEMENT);

	if (negative) {
		last_negative_uA = uA;
		have_negative = true;
	} else {
		last_positive_uA = uA;
		have_positive = true;
	}
	/* Judged where the polarity changes: halves next to each other saw the same load but for one step of it. */
	if (have_positive && have_negative && have_last && negative != last_negative) {
		int32_t difference = labs(last_positive_uA + last_negative_uA);
		int32_t sum = labs(last_positive_uA) + labs(last_negative_uA);
		/* 0.5 mA is what a volt of electrode offset across the series resistors amounts to. */
		if (difference > 500 + sum / 8) {
			if (++asymmetric_pairs >= FAULT_PAIRS)
				trip(TRIP_ASYMMETRY);
		} else {
			asymmetric_pairs = 0;
		}
	}
	last_negative = negative;
	have_last = true;
}

static void poll_halves(bool sine)
{
	struct half h;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		h = halves[half_out];
		if (h.full) {
			halves[half_out].full = false;
			half_out ^= 1;
		}
	}
	if (!h.full || !h.current_count || !h.voltage_count)
		return;
	int32_t uA = scale(h.current_sum, h.current_count, 25000);
	int32_t mV = scale(h.voltage_sum, h.voltage_count, 16000);
	if (board_state() == STATE_ENERGISED)
		judge_half(uA, mV, h.negative);
	if (sine) { /* measured within the pulses; the sine that they make up has this share of their height */
		uA = uA * SINE_DEPTH / 100;
		mV = mV * SINE_DEPTH / 100;
	}
	if (h.negative && negative_count < 255) {
		negative_uA_sum += uA;
		negative_mV_sum += mV;
		negative_count++;
	} else if (!h.negative && positive_count < 255) {
		positive_uA_sum += uA;
		positive_mV_sum += mV;
		positive_count++;
	}
}

static void judge_slow(uint8_t index, bool bad, uint8_t cause)
{
	uint8_t at = board_state();

	if (!bad) {
		slow_bad[index] = 0;
		return;
	}
	if (slow_bad[index] < SLOW_READINGS)
		slow_bad[index]++;
	if (slow_bad[index] >= SLOW_READINGS && (at == STATE_ARMED || at == STATE_ENERGISED))
		trip(cause);
}

/* The rail while it drives: the regulator of the range, within a tenth. */
static void judge_rail(uint16_t counts)
{
	int16_t full_mV = engine_ten_volts() ? BRIDGE_MV : BRIDGE_LOW_MV, mV = (int16_t)rail_mV(counts);
	bool driven = board_state() == STATE_ENERGISED && engine_proof() == PROOF_NONE;

	rail_now_mV = (uint16_t)mV;
	judge_slow(SLOW_RAIL, driven && mV > full_mV + full_mV / 16, TRIP_OVER_VOLTAGE);
}

static void poll_slow(void)
{
	uint8_t ready;
	uint16_t value[SLOW_CHANNELS];

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		ready = slow_ready;
		slow_ready = 0;
		for (uint8_t k = 0; k < SLOW_CHANNELS; k++)
			value[k] = slow_value[k];
	}
	if (ready & 1 << SLOW_REFERENCE) {
		uint32_t mV = value[SLOW_REFERENCE] ? REFERENCE_MV * 1024UL / value[SLOW_REFERENCE] : 0;
		bool bad = mV < SUPPLY_MIN_MV || mV > SUPPLY_MAX_MV;
		judge_slow(SLOW_REFERENCE, bad, TRIP_SELF_TEST);
		if (!bad) {
			supply_mV = (uint16_t)mV;
			count_limits();
		}
	}
	if (ready & 1 << SLOW_BATTERY) {
		now.battery_mV = (uint16_t)((uint32_t)value[SLOW_BATTERY] * supply_mV / 256);
		judge_slow(SLOW_BATTERY, now.battery_mV < BATTERY_MIN_MV, TRIP_BATTERY_LOW);
	}
	if (ready & 1 << SLOW_TEMPERATURE) {
		int16_t mV = (int16_t)((uint32_t)value[SLOW_TEMPERATURE] * supply_mV / 1024UL);
		now.temperature_cC = (mV - 500) > 3200 ? 32000 : (mV - 500) * 10;
		judge_slow(SLOW_TEMPERATURE, now.temperature_cC > HOT_CC || now.temperature_cC < COLD_CC, TRIP_TOO_HOT);
	}
	if (ready & 1 << SLOW_RAIL)
		judge_rail(value[SLOW_RAIL]);
}

void measure_poll(bool sine)
{
	poll_halves(sine);
	poll_slow();
}

static uint16_t square_root(uint32_t x)
{
	uint32_t root = 0, bit = 1UL << 30;

	while (bit > x)
		bit >>= 2;
	while (bit) {
		if (x >= root + bit) {
			x -= root + bit;
			root = (root >> 1) + bit;
		} else {
			root >>= 1;
		}
		bit >>= 2;
	}
	return (uint16_t)root;
}

static void publish_idle(void)
{
	int32_t sum;
	uint32_t squares;
	uint16_t n;

	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		sum = idle_sum;
		squares = idle_square_sum;
		n = idle_count;
		idle_sum = 0;
		idle_square_sum = 0;
		idle_count = 0;
	}
	if (n < 100) /* energised, or only just off: keep the last values */
		return;
	now.idle_dc_mV = (int16_t)scale(sum, n, 16000);
	/* Variance in counts, times 256 so that the root keeps a sixteenth of a count. */
	int32_t mean16 = sum * 16 / (int32_t)n;
	uint32_t mean_square256 = squares / n * 256 + squares % n * 256 / n;
	uint32_t square_of_mean = (uint32_t)(mean16 * mean16);
	uint32_t variance = mean_square256 > square_of_mean ? mean_square256 - square_of_mean : 0;
	now.idle_ac_mV = (uint16_t)((uint32_t)square_root(variance) * 16000UL / (512UL * 16UL));
}

void measure_publish(void)
{
	if (board_state() != STATE_ENERGISED) {
		now.current_positive_uA = 0;
		now.current_negative_uA = 0;
		now.voltage_positive_mV = 0;
		now.voltage_negative_mV = 0;
		now.open_circuit = false;
		now.limiting = false;
	} else {
		if (positive_count) {
			now.current_positive_uA = positive_uA_sum / positive_count;
			now.voltage_positive_mV = (int16_t)(positive_mV_sum / positive_count);
		}
		if (negative_count) {
			now.current_negative_uA = negative_uA_sum / negative_count;
			now.voltage_negative_mV = (int16_t)(negative_mV_sum / negative_count);
		}
	}
	positive_uA_sum = negative_uA_sum = positive_mV_sum = negative_mV_sum = 0;
	positive_count = negative_count = 0;
	publish_idle();
}

const struct measured *measured(void)
{
	uint16_t peak;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) peak = peak_counts;
	now.current_peak_uA = (uint32_t)peak * 25000UL / 512UL * (supply_mV / 5) / 1000;
	return &now;
}
