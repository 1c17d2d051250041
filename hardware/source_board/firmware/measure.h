/* What the board measures, and what it concludes from it.
 *
 * One converter takes current and voltage in turn, 208 us apart; one slot in sixteen goes to battery, temperature
 * and the chip's own reference. Limits are judged sample by sample in the interrupt; halves (chips of `coded`) are
 * averaged there and judged in the main loop.
 */
#ifndef MEASURE_H
#define MEASURE_H

#include <stdbool.h>
#include <stdint.h>

void measure_init(void);
void measure_set_limit(uint32_t current_uA);

/* From the engine, interrupts off. */
void measure_start(void);
void measure_half_ended(bool negative);
void measure_judge_clamp(void); /* the regulator was asked for 13 V: has the clamp held it? */

void measure_forget_faults(void);
/* Milliseconds since the last conversion: the tick adds one, every conversion starts again. */
extern volatile uint8_t converter_age_ms;

void measure_poll(bool sine); /* main loop: judge finished halves and slow channels */
void measure_publish(void);   /* every 100 ms: close the averages that telemetry shows */

struct measured {
	int32_t current_positive_uA, current_negative_uA;
	int16_t voltage_positive_mV, voltage_negative_mV;
	uint16_t battery_mV;
	int16_t temperature_cC;
	int16_t idle_dc_mV;
	uint16_t idle_ac_mV;
	uint32_t current_peak_uA;
	bool open_circuit, limiting;
};
const struct measured *measured(void);

#endif
