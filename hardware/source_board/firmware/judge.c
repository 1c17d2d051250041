#include "judge.h"

#include <stdlib.h>

#include "board.h"
#include "limits.h"
#include "state.h"

#define SLOW_READINGS 4 /* in a row that must be out of range */

static int32_t last_positive_uA, last_negative_uA;
static bool have_positive, have_negative;
static bool last_negative, have_last;
static uint8_t asymmetric_pairs;
static bool wrong_before[2]; /* by direction */
static uint16_t wrong_since_ms[2];
static uint8_t slow_bad[SLOW_CHANNELS];

void judge_start(void)
{
	have_positive = false;
	have_negative = false;
	have_last = false;
	asymmetric_pairs = 0;
	wrong_before[0] = false;
	wrong_before[1] = false;
}

void judge_forget_faults(void)
{
	for (uint8_t k = 0; k < sizeof slow_bad; k++)
		slow_bad[k] = 0;
}

static int32_t at_least_mains(int32_t mV)
{
	return mV > MAINS_MV ? mV : MAINS_MV;
}

void judge_half(int32_t uA, int32_t mV, bool negative, uint16_t rail_mV)
{
	const int32_t full_mV = rail_mV;
	int32_t drive_uA = negative ? -uA : uA;
	int32_t drive_mV = negative ? -mV : mV;
	int32_t explained_mV = labs(mV) + labs(uA) * (SERIES_OHM / 10) / 100;

	/* Wrong sign, more than the supply can explain (a second relay welded, the regulator failed), or less without the
	 * limiter being the reason (a dead half, a dead sense amplifier, a converter that always reads the same). */
	bool wrong = drive_uA < -500 || drive_mV < -MAINS_MV || explained_mV > full_mV + at_least_mains(full_mV / 8)
	             || (explained_mV < full_mV - at_least_mains(full_mV / 10) && labs(uA) < LIMITER_UA * 3 / 4);
	/* In one direction, without a right one between, and again at least half a period of the mains later: a lost half
	 * makes every other one wrong, and mains in the water add to short chips and take away again. */
	if (!wrong)
		wrong_before[negative] = false;
	else if (!wrong_before[negative])
		wrong_since_ms[negative] = milliseconds();
	else if ((uint16_t)(milliseconds() - wrong_since_ms[negative]) >= MAINS_HALF_MS)
		trip(TRIP_DISAGREEMENT);
	wrong_before[negative] = wrong;

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

void judge_slow(enum slow which, bool bad, uint8_t cause)
{
	uint8_t at = board_state();

	if (!bad) {
		slow_bad[which] = 0;
		return;
	}
	if (slow_bad[which] < SLOW_READINGS)
		slow_bad[which]++;
	if (slow_bad[which] >= SLOW_READINGS && (at == STATE_ARMED || at == STATE_ENERGISED))
		trip(cause);
}

void judge_clamp(uint16_t top_mV, uint16_t battery_mV)
{
	if (top_mV > CLAMP_MAX_MV)
		trip(TRIP_OVER_VOLTAGE);
	else if (battery_mV >= CLAMP_BATTERY_MV && top_mV < CLAMP_MIN_MV)
		trip(TRIP_DISAGREEMENT);
}
