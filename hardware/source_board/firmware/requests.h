/* Requests of the host, and what the board says unasked. */
#ifndef REQUESTS_H
#define REQUESTS_H

#include <stdint.h>

void requests_init(uint16_t boots);
void requests_answer(void);    /* the frame that link_receive has just found */
void requests_announce(void);  /* BOOT */
void requests_telemetry(void); /* the ten-a-second one */
void requests_events(void);    /* state changes, switches */
void requests_button(void);    /* the reset button was pressed */
uint8_t requests_waveform(void);

#endif
