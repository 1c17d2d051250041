/* A virtual source board: the firmware's own .hex on an emulated ATmega328P (libsimavr), with the output stage and
 * a resistive load around it. Time is virtual: vm_run_until returns at that cycle and the caller decides what a cycle
 * is worth on the wall. No globals; several boards may live side by side. */
#ifndef VIRTUAL_MCU_H
#define VIRTUAL_MCU_H

#include <stddef.h>
#include <stdint.h>

typedef struct vm vm_t;

/* One pin changed. A chip in reset lets go of its pins; pull-downs outside make that a low. */
typedef struct {
	uint64_t cycle;
	char port;
	uint8_t pin, value, reserved[5];
} vm_edge_t;

/* The world around the chip. Volts, amperes, ohms, seconds, hertz, degrees C. */
typedef struct {
	double bridge_V;       /* regulated bridge supply in the 10 V range; half of it in the other, 1.3 in the clamp test */
	double regulator_stuck_V; /* the regulator gives this whatever it is asked; 0 = sound */
	double clamp_V;        /* the bridge rail's clamp; INFINITY = open */
	double series_ohm;     /* both poles together */
	double limit_A;        /* what the hardware limiter lets through */
	double load_ohm[2];    /* through electrode A, B; INFINITY = open */
	double positive_gain, negative_gain; /* bridge voltage in that half, 1 = sound, 0 = dead half */
	double negative_load;  /* load of the negative half over that of the positive one */
	double stray_dc_V, stray_ac_V, stray_Hz; /* injection minus earth electrode, not from us; peak */
	double extra_current_A; /* flows past the commanded one, also while off */
	double sense_tau_s;    /* low pass of the sense amplifiers */
	double battery_V, temperature_C, supply_V;
	int stuck_drive;       /* +1 / -1: the bridge conducts that way whatever the drive pins say; 0 = sound */
	int stuck_mV[8];       /* analog input nailed to this value; negative = sound */
	int welded[2];         /* relay A, B closed for ever */
	int fuses[3];          /* low, high, extended, as the program reads them */
} vm_world_t;

vm_t *vm_new(const char *hex_path, uint32_t baud);
void vm_free(vm_t *vm);
vm_world_t *vm_world(vm_t *vm); /* change at will, then call vm_world_changed */
void vm_world_changed(vm_t *vm);

uint64_t vm_cycle(const vm_t *vm);
int vm_run_until(vm_t *vm, uint64_t cycle); /* 0, or the simulator's state if the core stopped */

int vm_send(vm_t *vm, const uint8_t *data, int n);  /* to the chip, at line rate; returns how many were taken */
int vm_pending(const vm_t *vm);                     /* of those, not yet on the wire */
int vm_receive(vm_t *vm, uint8_t *data, int n);     /* from the chip */

void vm_input(vm_t *vm, char port, int pin, int level); /* keeps its level through resets */
int vm_output(const vm_t *vm, char port, int pin);      /* level outside, with pull-downs */
double vm_current_A(const vm_t *vm);                    /* into the injection electrode, now */
double vm_charge_C(const vm_t *vm);                     /* since vm_new */

void vm_record(vm_t *vm, int on);
size_t vm_edge_count(const vm_t *vm);
const vm_edge_t *vm_edges(const vm_t *vm);
void vm_forget_edges(vm_t *vm);

/* Faults of the chip itself. Causes as in MCUSR: 1 power-on, 2 external, 4 brown-out, 8 watchdog. */
void vm_reset(vm_t *vm, uint8_t cause);
uint32_t vm_resets(const vm_t *vm);
uint32_t vm_longest_masked(vm_t *vm); /* cycles that interrupts were off at a stretch since the last call */
int vm_hang(vm_t *vm, int interrupts_live); /* the next instruction jumps to itself; a reset finds sound flash again */
uint8_t vm_peek(const vm_t *vm, uint16_t address);
void vm_poke(vm_t *vm, uint16_t address, uint8_t value); /* register or RAM, behind the chip's back */
/* One bit turned over, as the chip itself would have written it: the register's effect follows. Not for 0x3E.. flags of
 * the core but SREG. */
void vm_flip(vm_t *vm, uint16_t address, uint8_t bit);
uint8_t vm_eeprom(const vm_t *vm, uint16_t address); /* what a start would read there */
void vm_flip_flash(vm_t *vm, uint32_t address, uint8_t mask);

#endif
