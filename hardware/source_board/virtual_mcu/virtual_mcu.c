#include "virtual_mcu.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_hex.h>

#define HZ        16000000UL
#define RING      65536u
#define MCUSR_AT  0x54
#define VECTORS_END (26 * 4)
#define TCCR1A_AT 0x80
#define JUMP_SELF 0xCFFF /* rjmp .-2 */
#define SPMCSR_AT 0x57
#define BLBSET    0x08
#define SREG_AT   0x5F
#define ADCSRA_AT 0x7A
#define ADIF      0x10
#define ADIE      0x08
/* The alive pump's second enable falls this long after the last edge (output stage, simulated: 34 ms). */
#define PUMP_S    0.034

static const struct {
	char port;
	uint8_t pin_at;
} ports[] = { { 'B', 0x23 }, { 'C', 0x26 }, { 'D', 0x29 } };
enum { B, C, D, PORTS };

typedef struct {
	vm_t *vm;
	uint8_t port, pin;
} pin_ref_t;

struct vm {
	avr_t *avr;
	vm_world_t world;
	vm_edge_t *edges;
	size_t edge_count, edge_room;
	int recording;
	uint8_t to_chip[RING], from_chip[RING];
	uint32_t to_head, to_tail, from_head, from_tail;
	uint32_t cycles_per_byte;
	int feeding; /* a byte is on the line */
	avr_irq_t *uart_in, *analog, *compare_out, *compare_pin[2];
	avr_timer_t *timer;
	avr_io_write_t clear_flags; /* the simulator's own */
	void *clear_flags_param;
	avr_adc_t *converter;
	avr_io_write_t write_converter; /* the simulator's own */
	void *write_converter_param;
	pin_ref_t compare_ref[2];
	int comparing;       /* the level being reported is a compare unit's */
	uint64_t edge_cycle; /* when the edge being reported really happened; 0 = now */
	pin_ref_t pins[PORTS][8];
	uint8_t level[PORTS];       /* outputs, as seen outside */
	uint8_t input[PORTS], input_mask[PORTS];
	double current_A, voltage_V[2]; /* at the electrodes, now */
	double sensed_A, sensed_V[2];   /* behind the sense filters */
	uint64_t analog_cycle;
	double charge_C;
	uint64_t alive_cycle; /* last edge of the alive pin */
	int pump_waits;
	uint8_t fuse_place[4];
	int fuses_shown;
	uint32_t resets, hang_at;
	uint64_t masked_since, longest_masked;
	uint16_t hang_word;
	int hung, pending_cause;
	void (*core_reset)(avr_t *);
};

static void say_nothing(avr_t *avr, const int level, const char *format, va_list ap)
{
	(void)avr;
	(void)level;
	(void)format;
	(void)ap;
}

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
	(void)avr;
	(void)cycles;
}

/* ---- the world: bridge, relays, load, sense filters -------------------------------------------------------- */

static int is_high(const vm_t *vm, int port, int pin)
{
	return vm->level[port] >> pin & 1;
}

static double stray_V(const vm_t *vm)
{
	const vm_world_t *w = &vm->world;
	double t = (double)vm->avr->cycle / HZ;
	return w->stray_dc_V + w->stray_ac_V * sin(2 * M_PI * w->stray_Hz * t);
}

/* Brings charge and filters up to now; call before anything changes and before reading. */
static void analog_advance(vm_t *vm)
{
	double dt = (double)(vm->avr->cycle - vm->analog_cycle) / HZ;
	if (dt <= 0)
		return;
	double keep = vm->world.sense_tau_s > 0 ? exp(-dt / vm->world.sense_tau_s) : 0;
	vm->charge_C += vm->current_A * dt;
	vm->sensed_A = vm->current_A + (vm->sensed_A - vm->current_A) * keep;
	for (int k = 0; k < 2; k++)
		vm->sensed_V[k] = vm->voltage_V[k] + (vm->sensed_V[k] - vm->voltage_V[k]) * keep;
	vm->analog_cycle = vm->avr->cycle;
}

/* The bridge rail for the pins as they are. Stop chain, enable and alive pump carry it in hardware too. */
static double rail_V(const vm_t *vm)
{
	const vm_world_t *w = &vm->world;
	int chain = (vm->input[D] >> 2 & 1) && (vm->input[D] >> 3 & 1);
	int pumped = vm->alive_cycle && (double)(vm->avr->cycle - vm->alive_cycle) < PUMP_S * HZ;
	double volts = w->bridge_V * (is_high(vm, B, 3) ? (is_high(vm, B, 4) ? 1.3 : 1.0) : 0.5);

	if (!chain || !pumped || !is_high(vm, D, 4))
		return 0;
	if (w->regulator_stuck_V > 0)
		volts = w->regulator_stuck_V;
	volts = fmin(volts, w->battery_V - 0.5);
	return fmin(volts, w->clamp_V);
}

/* What flows. */
static void analog_update(vm_t *vm)
{
	const vm_world_t *w = &vm->world;
	int polarity = w->stuck_drive ? w->stuck_drive : is_high(vm, B, 1) - is_high(vm, B, 2);
	double rail = rail_V(vm);

	vm->current_A = 0;
	for (int k = 0; k < 2; k++) {
		vm->voltage_V[k] = 0;
		if (rail <= 0 || !polarity || !(is_high(vm, D, 5 + k) || w->welded[k]))
			continue;
		double drive_V = rail * (polarity > 0 ? w->positive_gain : -w->negative_gain);
		double load_ohm = w->load_ohm[k] * (polarity < 0 ? w->negative_load : 1);
		if (isinf(load_ohm)) {
			vm->voltage_V[k] = drive_V;
			continue;
		}
		double amperes = drive_V / (w->series_ohm + load_ohm);
		if (fabs(amperes) > w->limit_A)
			amperes = copysign(w->limit_A, amperes);
		vm->voltage_V[k] = amperes * load_ohm;
		vm->current_A += amperes;
	}
	vm->current_A += w->extra_current_A;
}

/* The pump runs down: what flows may end without any pin having moved. */
static avr_cycle_count_t pump_down(avr_t *avr, avr_cycle_count_t when, void *param)
{
	vm_t *vm = param;
	uint64_t end = vm->alive_cycle + (uint64_t)(PUMP_S * HZ) + 1;
	(void)when;
	if (avr->cycle < end)
		return end;
	analog_advance(vm);
	analog_update(vm);
	vm->pump_waits = 0;
	return 0;
}

vm_world_t *vm_world(vm_t *vm)
{
	analog_advance(vm);
	return &vm->world;
}

void vm_world_changed(vm_t *vm)
{
	vm->avr->vcc = vm->avr->avcc = vm->avr->aref = (uint32_t)lround(vm->world.supply_V * 1000);
	analog_update(vm);
}

/* A conversion starts: put its channel's voltage on the chip's input. Channels and scales as in firmware/board.h. */
static void on_conversion(avr_irq_t *irq, uint32_t value, void *param)
{
	vm_t *vm = param;
	union {
		avr_adc_mux_t mux;
		uint32_t v;
	} which = { .v = value };
	const vm_world_t *w = &vm->world;
	double mV = 0, middle = w->supply_V * 500;
	(void)irq;
	if (which.mux.kind != ADC_MUX_SINGLE || which.mux.src > 7)
		return;
	analog_advance(vm);
	switch (which.mux.src) {
	case 0: mV = middle + vm->sensed_A * 1e3 * 100; break;
	case 1: mV = middle + (vm->sensed_V[0] + stray_V(vm)) * 156.25; break;
	case 2: mV = w->battery_V * 1e3 / 4; break;
	case 3: mV = 500 + 10 * w->temperature_C; break;
	case 4: mV = middle + (vm->sensed_V[1] + stray_V(vm)) * 156.25; break;
	case 6: mV = 2500; break;
	case 7: mV = rail_V(vm) * 1e3 / 4; break;
	default: break;
	}
	if (w->stuck_mV[which.mux.src] >= 0)
		mV = w->stuck_mV[which.mux.src];
	/* The simulator makes floor(mV * 1023 / reference) of it; the data sheet's makes the nearest of 1024 steps
	 * (first transition at half a step). */
	double reference = w->supply_V * 1e3;
	double count = floor(mV * 1024 / reference + 0.5);
	count = count < 0 ? 0 : count > 1023 ? 1023 : count;
	avr_raise_irq(vm->analog + which.mux.src, (uint32_t)ceil(count * reference / 1023));
}

/* ---- pins -------------------------------------------------------------------------------------------------- */

static void log_level(vm_t *vm, int port, int pin, int value)
{
	if (is_high(vm, port, pin) == value)
		return;
	analog_advance(vm);
	vm->level[port] = (uint8_t)((vm->level[port] & ~(1 << pin)) | value << pin);
	if (port == C && pin == 5) {
		vm->alive_cycle = vm->avr->cycle;
		if (!vm->pump_waits) {
			vm->pump_waits = 1;
			avr_cycle_timer_register(vm->avr, (avr_cycle_count_t)(PUMP_S * HZ) + 1, pump_down, vm);
		}
	}
	analog_update(vm);
	if (!vm->recording)
		return;
	if (vm->edge_count == vm->edge_room) {
		size_t room = vm->edge_room ? vm->edge_room * 2 : 4096;
		vm_edge_t *more = realloc(vm->edges, room * sizeof *more);
		if (!more)
			return;
		vm->edges = more;
		vm->edge_room = room;
	}
	vm->edges[vm->edge_count++] =
		(vm_edge_t){ vm->edge_cycle ? vm->edge_cycle : vm->avr->cycle, ports[port].port, (uint8_t)pin, (uint8_t)value, { 0 } };
}

static void on_pin(avr_irq_t *irq, uint32_t value, void *param)
{
	pin_ref_t *ref = param;
	vm_t *vm = ref->vm;
	int driven = vm->avr->data[ports[ref->port].pin_at + 1] >> ref->pin & 1;
	(void)irq;
	/* A pin that a compare unit owns does not follow its port's latch; in the simulator any write to the port shows. */
	if (ref->port == B && (ref->pin == 1 || ref->pin == 2) && !vm->comparing
	    && (vm->avr->data[TCCR1A_AT] >> (ref->pin == 2 ? 4 : 6) & 3))
		return;
	if (driven)
		log_level(vm, ref->port, ref->pin, value & 1);
}

/* A compare unit of Timer 1 acts on its pin. The simulator (1.6) also reports the opposite level whenever a compare
 * value is written or the timer overflows, as if every mode were pulse-width modulation: what contradicts the unit's
 * own setting is dropped. It reports at the end of the running instruction; the edge is put where the match was. */
static void on_compare(avr_irq_t *irq, uint32_t value, void *param)
{
	pin_ref_t *ref = param;
	vm_t *vm = ref->vm;
	int unit = ref->pin - 1;
	int mode = vm->avr->data[TCCR1A_AT] >> (unit ? 4 : 6) & 3;
	(void)irq;
	if (mode < 2 || (value & 1) != (uint32_t)(mode == 3))
		return;
	uint64_t match = vm->timer->tov_base + vm->timer->comp[unit].comp_cycles;
	if (match <= vm->avr->cycle && vm->avr->cycle - match < 8)
		vm->edge_cycle = match;
	vm->comparing = 1;
	avr_raise_irq(vm->compare_pin[unit], value & 1);
	vm->comparing = 0;
	vm->edge_cycle = 0;
}

/* The simulator connects the units to their pins at every reset: take that apart, on_compare does it. */
static void part_compare_units(vm_t *vm)
{
	for (int unit = 0; unit < 2; unit++) {
		avr_unconnect_irq(vm->compare_out + unit, vm->compare_pin[unit]);
		vm->compare_pin[unit]->flags &= (uint8_t)~IRQ_FLAG_FILTERED; /* port and unit both speak through it */
	}
}

/* Writing a one to a flag of Timer 1 clears that flag. The simulator (1.6) clears every flag that is up, whatever was
 * written: an overflow that waited while a handler acknowledged its compare match was lost, and 32.8 ms of the
 * firmware's time with it. What was not written is put up again. */
static void on_flags(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	vm_t *vm = param;
	avr_int_vector_t *vectors[] = {
		&vm->timer->overflow, &vm->timer->comp[0].interrupt, &vm->timer->comp[1].interrupt,
	};
	uint8_t up = avr->data[address];
	vm->clear_flags(avr, address, value, vm->clear_flags_param);
	for (size_t k = 0; k < sizeof vectors / sizeof *vectors; k++) {
		uint8_t bit = (uint8_t)(1 << vectors[k]->raised.bit);
		if (up & bit & (uint8_t)~value)
			avr_raise_interrupt(avr, vectors[k]);
	}
}

/* Writing a zero to the converter's flag leaves it up, and an interrupt that is allowed while the flag is up comes. The
 * simulator (1.6) takes the flag down and forgets the conversion. */
static void on_converter(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	vm_t *vm = param;
	int up = avr->data[address] & ADIF && !(value & ADIF);
	vm->write_converter(avr, address, value, vm->write_converter_param);
	if (up) {
		avr->data[address] |= ADIF;
		if (value & ADIE)
			avr_raise_interrupt(avr, &vm->converter->adc);
	}
}

/* The program reads its fuses by loading from flash within three cycles of setting BLBSET. The simulator (1.6) loads
 * flash: so the fuses stand in the flash's first bytes for that long. */
static avr_cycle_count_t hide_fuses(avr_t *avr, avr_cycle_count_t when, void *param)
{
	vm_t *vm = param;
	(void)when;
	memcpy(avr->flash, vm->fuse_place, sizeof vm->fuse_place);
	vm->fuses_shown = 0;
	avr->data[SPMCSR_AT] &= (uint8_t)~(BLBSET | 1);
	return 0;
}

static void on_self_program(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
	vm_t *vm = param;
	avr->data[address] = value;
	if ((value & (BLBSET | 1)) != (BLBSET | 1) || vm->fuses_shown)
		return;
	memcpy(vm->fuse_place, avr->flash, sizeof vm->fuse_place);
	avr->flash[0] = (uint8_t)vm->world.fuses[0];
	avr->flash[3] = (uint8_t)vm->world.fuses[1];
	avr->flash[2] = (uint8_t)vm->world.fuses[2];
	vm->fuses_shown = 1;
	avr_cycle_timer_register(avr, 5, hide_fuses, vm);
}

/* Pins that become inputs fall by their pull-downs; the simulator says nothing about those. */
static void on_direction(avr_irq_t *irq, uint32_t value, void *param)
{
	pin_ref_t *ref = param;
	(void)irq;
	for (int k = 0; k < 8; k++)
		if (!(value >> k & 1))
			log_level(ref->vm, ref->port, k, 0);
}

static void apply_inputs(vm_t *vm)
{
	for (int p = 0; p < PORTS; p++)
		for (int k = 0; k < 8; k++)
			if (vm->input_mask[p] >> k & 1) {
				int level = vm->input[p] >> k & 1;
				uint8_t *pin = &vm->avr->data[ports[p].pin_at];
				*pin = (uint8_t)((*pin & ~(1 << k)) | level << k);
				avr_raise_irq(avr_io_getirq(vm->avr, AVR_IOCTL_IOPORT_GETIRQ(ports[p].port), (unsigned)k),
				              (uint32_t)level);
			}
}

void vm_input(vm_t *vm, char port, int pin, int level)
{
	for (int p = 0; p < PORTS; p++)
		if (ports[p].port == port) {
			analog_advance(vm);
			vm->input_mask[p] |= (uint8_t)(1 << pin);
			vm->input[p] = (uint8_t)((vm->input[p] & ~(1 << pin)) | (level ? 1 : 0) << pin);
			apply_inputs(vm);
			analog_update(vm);
		}
}

int vm_output(const vm_t *vm, char port, int pin)
{
	for (int p = 0; p < PORTS; p++)
		if (ports[p].port == port)
			return is_high(vm, p, pin);
	return 0;
}

/* ---- life and death ---------------------------------------------------------------------------------------- */

static void on_reset(avr_t *avr)
{
	vm_t *vm = avr->custom.data;
	vm->resets++;
	if (vm->fuses_shown)
		memcpy(avr->flash, vm->fuse_place, sizeof vm->fuse_place);
	vm->fuses_shown = 0;
	if (vm->hung) {
		avr->flash[vm->hang_at] = (uint8_t)vm->hang_word;
		avr->flash[vm->hang_at + 1] = (uint8_t)(vm->hang_word >> 8);
		vm->hung = 0;
	}
	for (int p = 0; p < PORTS; p++)
		for (int k = 0; k < 8; k++)
			log_level(vm, p, k, 0);
	if (vm->core_reset)
		vm->core_reset(avr);
}

static void start_feeding(vm_t *vm);

/* After a reset: the simulator has dropped its timers, the world outside has not changed. */
static void vm_settle(vm_t *vm)
{
	vm->feeding = 0;
	vm->pump_waits = 0;
	part_compare_units(vm);
	apply_inputs(vm);
	start_feeding(vm);
}

void vm_reset(vm_t *vm, uint8_t cause)
{
	avr_reset(vm->avr);
	vm->avr->data[MCUSR_AT] = cause;
	vm_settle(vm);
}

uint32_t vm_resets(const vm_t *vm)
{
	return vm->resets;
}

uint32_t vm_longest_masked(vm_t *vm)
{
	uint32_t longest = (uint32_t)vm->longest_masked;
	vm->longest_masked = 0;
	return longest;
}

static void on_transmit(avr_irq_t *irq, uint32_t value, void *param)
{
	vm_t *vm = param;
	(void)irq;
	if ((vm->from_head + 1) % RING == vm->from_tail)
		return; /* nobody reads: the line does not wait */
	vm->from_chip[vm->from_head] = (uint8_t)value;
	vm->from_head = (vm->from_head + 1) % RING;
}

vm_t *vm_new(const char *hex_path, uint32_t baud)
{
	uint32_t size = 0, start = 0;
	uint8_t *program;

	avr_global_logger_set(say_nothing);
	program = read_ihex_file(hex_path, &size, &start);
	if (!program)
		return NULL;
	vm_t *vm = calloc(1, sizeof *vm);
	avr_t *avr = avr_make_mcu_by_name("atmega328p");
	if (!vm || !avr) {
		free(vm);
		free(program);
		return NULL;
	}
	vm->avr = avr;
	avr_init(avr);
	avr->frequency = HZ;
	avr->vcc = avr->avcc = avr->aref = 5000;
	avr->sleep = no_sleep;
	avr->log = LOG_NONE;
	avr_loadcode(avr, program, size, start);
	avr->codeend = size;
	free(program);

	vm->world = (vm_world_t){
		.bridge_V = 10, .clamp_V = 11.2, .series_ohm = 1200, .limit_A = 0.0135, .load_ohm = { 1000, 1000 },
		.positive_gain = 1, .negative_gain = 1, .negative_load = 1, .stray_Hz = 60, .sense_tau_s = 10e-6,
		.battery_V = 12.6, .temperature_C = 30, .supply_V = 5,
		.stuck_mV = { -1, -1, -1, -1, -1, -1, -1, -1 }, .fuses = { 0xFF, 0xD1, 0xFC },
	};
	vm->recording = 1;
	vm->cycles_per_byte = HZ / baud * 10;
	for (uint8_t p = 0; p < PORTS; p++)
		for (uint8_t k = 0; k < 8; k++) {
			vm->pins[p][k] = (pin_ref_t){ vm, p, k };
			avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(ports[p].port), k), on_pin,
			                        &vm->pins[p][k]);
			if (k == 0)
				avr_irq_register_notify(
					avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(ports[p].port), IOPORT_IRQ_DIRECTION_ALL),
					on_direction, &vm->pins[p][0]);
		}
	vm->compare_out = avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_OUT_COMP);
	for (avr_io_t *io = avr->io_port; io; io = io->next)
		if (io->irq && vm->compare_out == io->irq + TIMER_IRQ_OUT_COMP)
			vm->timer = (avr_timer_t *)io;
	for (uint8_t unit = 0; unit < 2; unit++) {
		vm->compare_ref[unit] = (pin_ref_t){ vm, B, (uint8_t)(unit + 1) };
		vm->compare_pin[unit] = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), unit + 1u);
		vm->compare_out[unit].flags &= (uint8_t)~IRQ_FLAG_FILTERED;
		avr_irq_register_notify(vm->compare_out + unit, on_compare, &vm->compare_ref[unit]);
	}
	part_compare_units(vm);
	avr_io_addr_t flags_at = AVR_DATA_TO_IO(vm->timer->overflow.raised.reg);
	vm->clear_flags = avr->io[flags_at].w.c;
	vm->clear_flags_param = avr->io[flags_at].w.param;
	avr->io[flags_at].w.c = on_flags;
	avr->io[flags_at].w.param = vm;
	avr_io_addr_t converter_at = AVR_DATA_TO_IO(ADCSRA_AT);
	vm->write_converter = avr->io[converter_at].w.c;
	vm->write_converter_param = avr->io[converter_at].w.param;
	vm->converter = vm->write_converter_param;
	avr->io[converter_at].w.c = on_converter;
	avr->io[converter_at].w.param = vm;
	avr_io_addr_t program_at = AVR_DATA_TO_IO(SPMCSR_AT);
	avr->io[program_at].w.c = on_self_program;
	avr->io[program_at].w.param = vm;
	/* Unused here, but a low level on their pins would be polled every cycle. */
	avr_extint_set_strict_lvl_trig(avr, 0, 0);
	avr_extint_set_strict_lvl_trig(avr, 1, 0);
	avr->custom.data = vm;
	vm->core_reset = avr->reset;
	avr->reset = on_reset;
	uint32_t flags = 0;
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_t *uart = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
	vm->uart_in = uart + UART_IRQ_INPUT;
	avr_irq_register_notify(uart + UART_IRQ_OUTPUT, on_transmit, vm);
	vm->analog = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
	avr_irq_register_notify(vm->analog + ADC_IRQ_OUT_TRIGGER, on_conversion, vm);
	avr->data[MCUSR_AT] = 1;
	vm_input(vm, 'B', 0, 1); /* the firmware's bench strap: what runs here is emulated and says so */
	return vm;
}

void vm_free(vm_t *vm)
{
	avr_terminate(vm->avr);
	free(vm->avr);
	free(vm->edges);
	free(vm);
}

uint64_t vm_cycle(const vm_t *vm)
{
	return vm->avr->cycle;
}

/* Bytes to the chip, one per ten bit times, whether it takes them or not. */
static avr_cycle_count_t feed(avr_t *avr, avr_cycle_count_t when, void *param)
{
	vm_t *vm = param;
	(void)avr;
	if (vm->to_head == vm->to_tail) {
		vm->feeding = 0;
		return 0;
	}
	uint8_t byte = vm->to_chip[vm->to_tail];
	vm->to_tail = (vm->to_tail + 1) % RING;
	avr_raise_irq(vm->uart_in, byte);
	return when + vm->cycles_per_byte;
}

static void start_feeding(vm_t *vm)
{
	if (!vm->feeding && vm->to_head != vm->to_tail) {
		vm->feeding = 1;
		avr_cycle_timer_register(vm->avr, vm->cycles_per_byte, feed, vm);
	}
}

/* Keeps a sleeping core from leaping past the moment we want to stop at. */
static avr_cycle_count_t wake(avr_t *avr, avr_cycle_count_t when, void *param)
{
	(void)avr;
	(void)when;
	(void)param;
	return 0;
}

int vm_run_until(vm_t *vm, uint64_t cycle)
{
	avr_t *avr = vm->avr;
	uint32_t resets = vm->resets;

	if (avr->cycle >= cycle)
		return 0;
	avr_cycle_timer_register(avr, cycle - avr->cycle, wake, vm);
	uint64_t last = avr->cycle;
	unsigned stood = 0;
	while (avr->cycle < cycle) {
		int state = avr_run(avr);
		stood = avr->cycle == last ? stood + 1 : 0;
		last = avr->cycle;
		if (stood > 100000) /* asleep without anything to wake it, or stopped: time would never pass */
			return cpu_Crashed;
		if (avr->sreg[S_I]) {
			vm->masked_since = 0;
		} else if (!vm->masked_since || avr->pc < VECTORS_END) { /* a handler begins: those before it could not delay it */
			vm->masked_since = avr->cycle;
		} else if (avr->cycle - vm->masked_since > vm->longest_masked) {
			vm->longest_masked = avr->cycle - vm->masked_since;
		}
		if (vm->resets != resets) { /* the watchdog bit: timers and inputs are gone, put ours back */
			resets = vm->resets;
			vm_settle(vm);
			if (avr->cycle < cycle)
				avr_cycle_timer_register(avr, cycle - avr->cycle, wake, vm);
		}
		if (state == cpu_Done || state == cpu_Crashed)
			return state;
	}
	avr_cycle_timer_cancel(avr, wake, vm);
	return 0;
}

int vm_send(vm_t *vm, const uint8_t *data, int n)
{
	int k = 0;
	for (; k < n && (vm->to_head + 1) % RING != vm->to_tail; k++) {
		vm->to_chip[vm->to_head] = data[k];
		vm->to_head = (vm->to_head + 1) % RING;
	}
	start_feeding(vm);
	return k;
}

int vm_pending(const vm_t *vm)
{
	return (int)((vm->to_head - vm->to_tail) % RING);
}

int vm_receive(vm_t *vm, uint8_t *data, int n)
{
	int k = 0;
	for (; k < n && vm->from_tail != vm->from_head; k++) {
		data[k] = vm->from_chip[vm->from_tail];
		vm->from_tail = (vm->from_tail + 1) % RING;
	}
	return k;
}

double vm_current_A(const vm_t *vm)
{
	return vm->current_A;
}

double vm_charge_C(const vm_t *vm)
{
	return vm->charge_C + vm->current_A * (double)(vm->avr->cycle - vm->analog_cycle) / HZ;
}

void vm_record(vm_t *vm, int on)
{
	vm->recording = on;
}

size_t vm_edge_count(const vm_t *vm)
{
	return vm->edge_count;
}

const vm_edge_t *vm_edges(const vm_t *vm)
{
	return vm->edges;
}

void vm_forget_edges(vm_t *vm)
{
	vm->edge_count = 0;
}

static int at_rest(const avr_t *avr)
{
	return avr->sreg[S_I] && avr->state == cpu_Running && avr->interrupts.running_ptr == 0;
}

int vm_hang(vm_t *vm, int interrupts_live)
{
	avr_t *avr = vm->avr;
	/* In the main loop, awake, in no handler. */
	for (int k = 0; k < 100000 && !at_rest(avr); k++)
		avr_run(avr);
	if (!at_rest(avr) || vm->hung)
		return 0;
	vm->hang_at = avr->pc;
	vm->hang_word = (uint16_t)(avr->flash[avr->pc] | avr->flash[avr->pc + 1] << 8);
	avr->flash[avr->pc] = JUMP_SELF & 0xff;
	avr->flash[avr->pc + 1] = JUMP_SELF >> 8;
	vm->hung = 1;
	if (!interrupts_live)
		avr->sreg[S_I] = 0;
	return 1;
}

uint8_t vm_peek(const vm_t *vm, uint16_t address)
{
	return vm->avr->data[address];
}

void vm_poke(vm_t *vm, uint16_t address, uint8_t value)
{
	vm->avr->data[address] = value;
}

void vm_flip(vm_t *vm, uint16_t address, uint8_t bit)
{
	avr_t *avr = vm->avr;
	uint8_t value = avr->data[address] ^ (uint8_t)(1 << bit);

	if (address == SREG_AT) {
		avr->sreg[bit] ^= 1;
	} else if (address >= 0x20 && address < 0x100 && avr->io[AVR_DATA_TO_IO(address)].w.c) {
		avr_io_addr_t at = AVR_DATA_TO_IO(address);
		avr->io[at].w.c(avr, address, value, avr->io[at].w.param);
	} else {
		avr->data[address] = value;
	}
}

uint8_t vm_eeprom(const vm_t *vm, uint16_t address)
{
	uint8_t value = 0;
	avr_eeprom_desc_t wanted = { .ee = &value, .offset = address, .size = 1 };

	avr_ioctl(vm->avr, AVR_IOCTL_EEPROM_GET, &wanted);
	return value;
}

void vm_flip_flash(vm_t *vm, uint32_t address, uint8_t mask)
{
	vm->avr->flash[address] ^= mask;
}
