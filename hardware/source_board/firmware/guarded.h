/* Variables that safety hangs on are kept twice, the second time inverted, and looked at before they are believed: one
 * flipped bit is noticed instead of obeyed. */
#ifndef GUARDED_H
#define GUARDED_H

#include <stdbool.h>
#include <stdint.h>

struct guarded8 {
	volatile uint8_t value, inverse;
};

struct guarded16 {
	volatile uint16_t value, inverse;
};

static inline void guarded8_set(struct guarded8 *g, uint8_t value)
{
	g->value = value;
	g->inverse = (uint8_t)~value;
}

static inline bool guarded8_sound(const struct guarded8 *g)
{
	return (g->value ^ g->inverse) == 0xFF;
}

static inline void guarded16_set(struct guarded16 *g, uint16_t value)
{
	g->value = value;
	g->inverse = (uint16_t)~value;
}

static inline bool guarded16_sound(const struct guarded16 *g)
{
	return (g->value ^ g->inverse) == 0xFFFF;
}

#endif
