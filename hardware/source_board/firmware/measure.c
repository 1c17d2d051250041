#include "measure.h"

#include <stdlib.h>

#include "board.h"
#include "engine.h"
#include "judge.h"
#include "limits.h"
#include "samples.h"
#include "state.h"

static struct measured now;
static int32_t positive_uA_sum, negative_uA_sum, positive_mV_sum, negative_mV_sum;
static uint8_t positive_count, negative_count;
static uint16_t limit_uA_tenth = DEFAULT_LIMIT_UA / 10;
/* This chip's own supply, by the 2.5 V reference: what a count is worth. */
static uint16_t supply_mV = 5000;
static uint16_t rail_now_mV;

void measure_init(void)
{
	samples_init();
}

/* Limits in counts: a count is worth what the supply makes it. */
static void count_limits(void)
{
	uint16_t current = (uint16_t)(CURRENT_COUNTS(limit_uA_tenth * 10UL) * 5000UL / supply_mV);
	uint16_t voltage = (uint16_t)(VOLTAGE_COUNTS(MAX_VOLTAGE_MV) * 5000UL / supply_mV);

	samples_set_limits(current, voltage);
}

void measure_set_limit(uint32_t current_uA)
{
	limit_uA_tenth = (uint16_t)(current_uA / 10);
	count_limits();
}

void measure_start(void)
{
	samples_start();
	judge_start();
	now.current_positive_uA = 0;
	now.current_negative_uA = 0;
	now.voltage_positive_mV = 0;
	now.voltage_negative_mV = 0;
}

void measure_forget_faults(void)
{
	samples_forget_leak();
	judge_forget_faults();
}

static uint16_t rail_mV(uint16_t counts)
{
	return (uint16_t)((uint32_t)counts * supply_mV / 256);
}

void measure_clamp_tried(void)
{
	judge_clamp(rail_mV(samples_rail_top()), now.battery_mV);
}

/* counts summed over n samples -> units, where half scale (512 counts) is `full` at a supply of 5 V */
static int32_t scale(int32_t sum, uint16_t n, int32_t full)
{
	return sum * 64 / (int32_t)n * (full / 8) / (64 * 64) * (supply_mV / 5) / 1000;
}

/* Open circuit, or an electrode that takes all there is. */
static void look_at_load(int32_t uA, int32_t mV, bool negative)
{
	const int32_t full_mV = rail_now_mV;

	now.open_circuit = labs(uA) < 80 && (negative ? -mV : mV) > full_mV * 3 / 4;
	now.limiting = labs(mV) < full_mV / 4 && labs(uA) > full_mV * 500 / SERIES_OHM;
}

static void poll_halves(bool sine)
{
	struct half h;

	if (!samples_take_half(&h))
		return;
	int32_t uA = scale(h.current_sum, h.current_count, 25000);
	int32_t mV = scale(h.voltage_sum, h.voltage_count, 16000);
	if (board_state() == STATE_ENERGISED) {
		look_at_load(uA, mV, h.negative);
		judge_half(uA, mV, h.negative, rail_now_mV);
	}
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
	uint16_t value[SLOW_CHANNELS];
	uint8_t ready = samples_take_slow(value);

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
	struct idle i;

	samples_take_idle(&i);
	if (i.count < 100) /* energised, or only just off: keep the last values */
		return;
	now.idle_dc_mV = (int16_t)scale(i.sum, i.count, 16000);
	/* Variance in counts, times 256 so that the root keeps a sixteenth of a count. */
	int32_t mean16 = i.sum * 16 / (int32_t)i.count;
	uint32_t mean_square256 = i.square_sum / i.count * 256 + i.square_sum % i.count * 256 / i.count;
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
	now.current_peak_uA = (uint32_t)samples_peak() * 25000UL / 512UL * (supply_mV / 5) / 1000;
	return &now;
}
