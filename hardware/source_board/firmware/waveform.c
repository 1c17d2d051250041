#include "waveform.h"

struct plan plan;
const uint8_t coded_positive[CODED_CHIPS] PROGMEM = { 1, 1, 1, 1, 0, 0, 1, 0, 0, 0 };
/* 256 * 0.8 * sin(pi (k + 1/2) / 16): first quarter of the pulse widths */
static const uint8_t sine_width[SINE_SLOTS / 4] PROGMEM = { 20, 59, 97, 130, 158, 181, 196, 204 };

void plan_period(const struct configuration *c)
{
	plan.waveform = c->waveform;
	plan.period = c->period_ticks;
	plan.segments = plan.waveform == WAVEFORM_SQUARE ? 2 : plan.waveform == WAVEFORM_SINE ? SINE_SLOTS : CODED_CHIPS;
	plan.segment_ticks = plan.period / plan.segments;
	for (uint8_t k = 0; plan.waveform == WAVEFORM_SINE && k < SINE_SLOTS / 2; k++) {
		uint8_t quarter = k < SINE_SLOTS / 4 ? k : SINE_SLOTS / 2 - 1 - k;
		uint16_t width = (uint16_t)((plan.segment_ticks * pgm_read_byte(&sine_width[quarter])) >> 8);
		plan.pulse_width[k] = width < MIN_PULSE ? MIN_PULSE : width;
		plan.pulse_lead[k] = ((uint16_t)plan.segment_ticks - plan.pulse_width[k]) / 2;
	}
}
