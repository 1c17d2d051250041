/* What the main loop concludes from averages: a half (a chip of `coded`) that disagrees with the command or with the other
 * polarity, slow channels out of range, a clamp that does not hold. Every verdict is a trip. */
#ifndef JUDGE_H
#define JUDGE_H

#include <stdbool.h>
#include <stdint.h>

#include "samples.h"

void judge_start(void); /* at ENERGISE */
void judge_forget_faults(void);

/* Mean of a half against the bridge's rail as it is: whether that is right is judge_slow's business. */
void judge_half(int32_t uA, int32_t mV, bool negative, uint16_t rail_mV);
void judge_slow(enum slow which, bool bad, uint8_t cause);
/* The regulator was asked for 13 V: has the clamp held it? */
void judge_clamp(uint16_t top_mV, uint16_t battery_mV);

#endif
