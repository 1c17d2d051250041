/* What the board measures, in SI: sums of samples.h turned into means, told to telemetry and put before judge.h. */
#ifndef MEASURE_H
#define MEASURE_H

#include <stdbool.h>
#include <stdint.h>

void measure_init(void);
void measure_set_limit(uint32_t current_uA);

/* From the engine, interrupts off. */
void measure_start(void);
void measure_clamp_tried(void); /* the regulator was asked for 13 V until now */

void measure_forget_faults(void);

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
