#include "requests.h"

#include <avr/io.h>
#include <string.h>

#include "board.h"
#include "engine.h"
#include "limits.h"
#include "link.h"
#include "measure.h"
#include "selfcheck.h"
#include "state.h"
#include "ticks.h"
#include "version.h"

enum request { HELLO = 1, CONFIGURE, ARM, ENERGISE, OFF, HEARTBEAT, SELECT, STATUS };
enum { REPLY = 0x80, BOOT = 0xC0, TELEMETRY = 0xC1, EVENT = 0xC2, REFUSAL = 0xFF };
enum event_code { EVENT_STATE = 1, EVENT_TRIPPED, EVENT_BUTTON, EVENT_ELECTRODE };
enum refusal {
	UNKNOWN = 1,
	BAD_BODY,
	WRONG_STATE,
	CHECKSUM,
	STOP_OPEN,
	ENABLE_NOT_HELD,
	IS_TRIPPED,
	NO_HEARTBEAT,
	ABOVE_LIMIT,
};

struct identity {
	uint8_t protocol, major, minor, patch;
	uint16_t boots;
	uint8_t cause, emulated;
	uint32_t tick_Hz, max_current_uA;
	uint16_t max_voltage_mV, deadman_ms;
	uint32_t build, limits_crc;
	uint16_t battery_min_mV;
} __attribute__((packed));
_Static_assert(sizeof(struct identity) == 30, "identity body");

struct telemetry {
	uint8_t state, trip, flags, electrode, waveform, bad_frames;
	uint32_t period_ticks, cycles;
	uint64_t cycle_tick;
	int32_t current_positive_uA, current_negative_uA;
	int16_t voltage_positive_mV, voltage_negative_mV;
	uint16_t battery_mV;
	int16_t temperature_cC, idle_dc_mV;
	uint16_t idle_ac_mV;
	uint32_t current_peak_uA;
} __attribute__((packed));
_Static_assert(sizeof(struct telemetry) == 46, "telemetry body");
_Static_assert(sizeof(struct configuration) == 10, "configuration body");

static struct identity identity;
static struct configuration configuration;
static bool configured;
static uint8_t own_sequence;
static uint8_t reported_state;

static uint32_t crc32(const void *data, uint8_t length)
{
	uint32_t crc = ~0UL;
	for (uint8_t k = 0; k < length; k++)
		crc = crc32_update(crc, ((const uint8_t *)data)[k]);
	return ~crc;
}

void requests_init(uint16_t boots)
{
	identity.protocol = PROTOCOL_VERSION;
	identity.major = VERSION_MAJOR;
	identity.minor = VERSION_MINOR;
	identity.patch = VERSION_PATCH;
	identity.boots = boots;
	identity.cause = reset_cause & 15;
	identity.emulated = PINB & IN_BENCH ? 1 : 0;
	identity.tick_Hz = TICK_HZ;
	identity.max_current_uA = MAX_CURRENT_UA;
	identity.max_voltage_mV = MAX_VOLTAGE_MV;
	identity.deadman_ms = DEADMAN_MS;
	identity.battery_min_mV = BATTERY_MIN_MV;
	identity.build = BUILD_HASH;
	identity.limits_crc = crc32(&identity.max_current_uA, 8);
}

uint8_t requests_waveform(void)
{
	return configuration.waveform;
}

static void send_telemetry(uint8_t type, uint8_t sequence)
{
	const struct measured *m = measured();
	struct telemetry t;

	t.state = board_state();
	t.trip = trip_cause();
	t.flags = (stop_closed() ? 1 : 0) | (enable_held() ? 2 : 0) | (heartbeat_fresh() ? 4 : 0)
	          | (m->open_circuit ? 8 : 0) | (m->limiting ? 16 : 0);
	t.electrode = engine_electrode();
	t.waveform = configuration.waveform;
	t.bad_frames = link_bad_frames();
	t.period_ticks = configuration.period_ticks;
	uint32_t cycles;
	uint64_t cycle_tick;
	engine_position(&cycles, &cycle_tick);
	t.cycles = cycles;
	t.cycle_tick = cycle_tick;
	t.current_positive_uA = m->current_positive_uA;
	t.current_negative_uA = m->current_negative_uA;
	t.voltage_positive_mV = m->voltage_positive_mV;
	t.voltage_negative_mV = m->voltage_negative_mV;
	t.battery_mV = m->battery_mV;
	t.temperature_cC = m->temperature_cC;
	t.idle_dc_mV = m->idle_dc_mV;
	t.idle_ac_mV = m->idle_ac_mV;
	t.current_peak_uA = m->current_peak_uA;
	link_send(type, sequence, &t, sizeof t);
}

void requests_announce(void)
{
	link_send(BOOT, own_sequence++, &identity, sizeof identity);
	reported_state = board_state();
}

void requests_telemetry(void)
{
	send_telemetry(TELEMETRY, own_sequence++);
}

static void send_event(uint8_t code, uint64_t tick)
{
	struct {
		uint8_t event, state, trip, electrode;
		uint64_t tick;
	} __attribute__((packed)) body = { code, board_state(), trip_cause(), engine_electrode(), tick };
	link_send(EVENT, own_sequence++, &body, sizeof body);
}

void requests_events(void)
{
	uint64_t tick;

	if (engine_switched(&tick))
		send_event(EVENT_ELECTRODE, tick);
	if (board_state() != reported_state) {
		reported_state = board_state();
		if (reported_state == STATE_TRIPPED)
			send_event(EVENT_TRIPPED, trip_tick());
		else
			send_event(EVENT_STATE, tick_now());
	}
}

void requests_button(void)
{
	clear_trip();
	send_event(EVENT_BUTTON, tick_now());
}

static uint32_t u32_at(const uint8_t *p)
{
	uint32_t v;
	memcpy(&v, p, sizeof v);
	return v;
}

/* 0, or why the request cannot be; the order is the protocol's. */
static uint8_t refusal_of(uint8_t type, const uint8_t *body, uint8_t length)
{
	static const uint8_t lengths[] = { 0, 0, sizeof(struct configuration), 8, 0, 0, 4, 1, 0 };

	if (type < HELLO || type > STATUS)
		return UNKNOWN;
	if (length != lengths[type])
		return BAD_BODY;
	if (type == CONFIGURE) {
		struct configuration c;
		memcpy(&c, body, sizeof c);
		if (c.waveform > WAVEFORM_CODED || c.electrode > 1 || c.current_limit_uA == 0)
			return BAD_BODY;
		if (c.period_ticks < MIN_PERIOD || c.period_ticks > MAX_PERIOD)
			return BAD_BODY;
		if (c.current_limit_uA > MAX_CURRENT_UA)
			return ABOVE_LIMIT;
		return board_state() == STATE_OFF || board_state() == STATE_TRIPPED ? 0 : WRONG_STATE;
	}
	if (type == SELECT)
		return body[0] > 1 ? BAD_BODY : 0;
	if (type != ARM && type != ENERGISE)
		return 0;
	if (board_state() == STATE_TRIPPED)
		return IS_TRIPPED;
	if (board_state() != STATE_ARMED && board_state() != (type == ARM ? STATE_OFF : STATE_ENERGISED))
		return WRONG_STATE;
	if (type == ARM) {
		if (!configured || u32_at(body) != crc32(&identity, sizeof identity)
		    || u32_at(body + 4) != crc32(&configuration, sizeof configuration))
			return CHECKSUM;
	}
	if (!stop_closed())
		return STOP_OPEN;
	if (type == ENERGISE && !(board_state() == STATE_ENERGISED || (enable_held() && enable_was_released())))
		return ENABLE_NOT_HELD;
	if (!heartbeat_fresh())
		return NO_HEARTBEAT;
	return 0;
}

void requests_answer(void)
{
	uint8_t type = link_type(), sequence = link_sequence(), length = link_body_length();
	const uint8_t *body = link_body();
	uint8_t reason = refusal_of(type, body, length);

	if (reason) {
		uint8_t refusal[2] = { type, reason };
		link_send(REFUSAL, sequence, refusal, sizeof refusal);
		return;
	}
	switch (type) {
	case HELLO:
		link_send(type | REPLY, sequence, &identity, sizeof identity);
		return;
	case CONFIGURE:
		memcpy(&configuration, body, sizeof configuration);
		configured = true;
		engine_configure(&configuration);
		measure_set_limit(configuration.current_limit_uA);
		link_send(type | REPLY, sequence, &configuration, sizeof configuration);
		return;
	case HEARTBEAT: {
		struct {
			uint32_t host_stamp;
			uint64_t tick;
			uint8_t state, trip;
		} __attribute__((packed)) reply;
		reply.tick = tick_now();
		heartbeat_received();
		reply.host_stamp = u32_at(body);
		reply.state = board_state();
		reply.trip = trip_cause();
		link_send(type | REPLY, sequence, &reply, sizeof reply);
		return;
	}
	case SELECT: {
		struct {
			uint8_t electrode;
			uint64_t tick;
		} __attribute__((packed)) reply = { body[0], engine_select(body[0]) };
		link_send(type | REPLY, sequence, &reply, sizeof reply);
		return;
	}
	case ARM:
		enter_armed();
		break;
	case ENERGISE:
		enter_energised();
		break;
	case OFF:
		enter_off();
		break;
	}
	send_telemetry(type | REPLY, sequence);
}
