// SPDX-License-Identifier: MIT OR GPL-2.0
/*
 * The receiver's chip and the Pi's pins for a virtual machine, as the kernel shows real ones: bus 1 with an ADS1115 at
 * 0x48 whose transfers take the time they take at 400 kHz, and a chip of 54 lines with edges. Conversions end by a timer of the
 * kernel, so a late program loses samples as on a real Pi, and nothing but it can be blamed.
 *
 * What is converted comes from a program: it reads `struct state` from /dev/virtual-water and writes codes ahead, by the
 * number of the conversion and for the configuration in force. Contacts: "LINE LEVEL" into /dev/virtual-contacts.
 * Parameters (writable): absent = the chip does not answer; stuck = transfers take a second and fail;
 * muted = the ready wire is broken.
 */
#include <linux/delay.h>
#include <linux/fs.h>
#include <linux/gpio/driver.h>
#include <linux/hrtimer.h>
#include <linux/i2c.h>
#include <linux/irq.h>
#include <linux/miscdevice.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/platform_device.h>
#include <linux/spinlock.h>
#include <linux/uaccess.h>

#define LINES 54
#define READY_LINE 25
#define RING 8192
#define MOST 1024
#define CHIP 0x48

static bool absent, stuck, muted;
static int rate_ppm = 17000; /* the chip's clock is off by so much; the data sheet allows 100000 */
module_param(absent, bool, 0644);
module_param(stuck, bool, 0644);
module_param(muted, bool, 0644);
module_param(rate_ppm, int, 0644);

struct state {
	u64 next_index;	/* number of the conversion under way, or of the next one */
	s64 end_ns;	/* when it ends, on the monotonic clock; 0 = idle */
	u64 starved;	/* conversions that no code was there for */
	u64 fetched;	/* reads of the conversion register */
	u64 outputs;	/* levels that programs drive lines to */
	u32 config;
	u32 generation;	/* counts changes of the configuration */
	u32 period_ns;
	u32 missed;	/* conversions overwritten before they were fetched, since the chip ran in ready mode */
};

struct ahead {
	u64 first_index;
	u32 generation;
	u32 count;
	u16 code[MOST];
};

static DEFINE_SPINLOCK(guard);
static struct state now_;
static u16 reg[4];
static u8 pointer;
static bool fresh;
static u16 ring_code[RING];
static u64 ring_index[RING];
static struct hrtimer conversion, contacts;
static u64 levels = ~0ULL, wanted = ~0ULL, outs, out_mask, unmasked;
static unsigned int edge[LINES];
static struct gpio_chip pins;

/* ---- lines ------------------------------------------------------------------------------------------------------ */

static void fire(unsigned int line, bool level)
{
	unsigned int type = edge[line];

	if ((unmasked & BIT_ULL(line)) && (type & (level ? IRQ_TYPE_EDGE_RISING : IRQ_TYPE_EDGE_FALLING)))
		generic_handle_domain_irq(pins.irq.domain, line);
}

/* In interrupt context, as the edges of a real line are. */
static enum hrtimer_restart move_contacts(struct hrtimer *timer)
{
	unsigned long flags;
	unsigned int line;
	u64 changed, to;

	spin_lock_irqsave(&guard, flags);
	to = wanted;
	changed = levels ^ to;
	levels = to;
	spin_unlock_irqrestore(&guard, flags);
	for (line = 0; line < LINES; line++)
		if (changed & BIT_ULL(line))
			fire(line, to & BIT_ULL(line));
	return HRTIMER_NORESTART;
}

static int pin_direction(struct gpio_chip *chip, unsigned int line)
{
	return (out_mask & BIT_ULL(line)) ? GPIO_LINE_DIRECTION_OUT : GPIO_LINE_DIRECTION_IN;
}

static int pin_input(struct gpio_chip *chip, unsigned int line)
{
	out_mask &= ~BIT_ULL(line);
	return 0;
}

static void pin_set(struct gpio_chip *chip, unsigned int line, int level)
{
	unsigned long flags;

	spin_lock_irqsave(&guard, flags);
	outs = level ? outs | BIT_ULL(line) : outs & ~BIT_ULL(line);
	spin_unlock_irqrestore(&guard, flags);
}

static int pin_output(struct gpio_chip *chip, unsigned int line, int level)
{
	pin_set(chip, line, level);
	out_mask |= BIT_ULL(line);
	return 0;
}

static int pin_get(struct gpio_chip *chip, unsigned int line)
{
	return !!(((out_mask & BIT_ULL(line)) ? outs : levels) & BIT_ULL(line));
}

static int pin_config(struct gpio_chip *chip, unsigned int line, unsigned long config)
{
	return 0; /* pull-ups are there: every line is high unless a contact closes it to ground */
}

static void irq_mask_(struct irq_data *data)
{
	unmasked &= ~BIT_ULL(irqd_to_hwirq(data));
	gpiochip_disable_irq(&pins, irqd_to_hwirq(data));
}

static void irq_unmask_(struct irq_data *data)
{
	gpiochip_enable_irq(&pins, irqd_to_hwirq(data));
	unmasked |= BIT_ULL(irqd_to_hwirq(data));
}

static int irq_type_(struct irq_data *data, unsigned int type)
{
	edge[irqd_to_hwirq(data)] = type & IRQ_TYPE_EDGE_BOTH;
	return 0;
}

static const struct irq_chip edges = {
	.name = "virtual-pins",
	.irq_mask = irq_mask_,
	.irq_unmask = irq_unmask_,
	.irq_set_type = irq_type_,
	.flags = IRQCHIP_IMMUTABLE,
	GPIOCHIP_IRQ_RESOURCE_HELPERS,
};

/* ---- chip ------------------------------------------------------------------------------------------------------- */

static u32 period_ns(u16 config)
{
	static const u16 rates[] = {8, 16, 32, 64, 128, 250, 475, 860};
	u64 period = 1000000000ULL / rates[(config >> 5) & 7];

	return div_u64(period * 1000000ULL, 1000000 + rate_ppm);
}

static bool ready_mode(void)
{
	return (reg[3] & 0x8000) && !(reg[2] & 0x8000) && (reg[1] & 3) != 3;
}

static enum hrtimer_restart convert(struct hrtimer *timer)
{
	unsigned long flags;
	bool pulse, again;
	u32 slot;

	spin_lock_irqsave(&guard, flags);
	slot = now_.next_index % RING;
	if (ring_index[slot] == now_.next_index)
		reg[0] = ring_code[slot];
	else
		now_.starved++;
	if (fresh && ready_mode())
		now_.missed++;
	fresh = true;
	now_.next_index++;
	again = !(reg[1] & 0x100);
	if (again) {
		now_.period_ns = period_ns(reg[1]);
		hrtimer_set_expires(timer, ktime_add_ns(hrtimer_get_expires(timer), now_.period_ns));
		now_.end_ns = ktime_to_ns(hrtimer_get_expires(timer));
	} else {
		now_.end_ns = 0;
		reg[1] |= 0x8000;
	}
	pulse = ready_mode() && !muted;
	spin_unlock_irqrestore(&guard, flags);
	if (pulse) { /* 8 us low; both edges at once here */
		levels &= ~BIT_ULL(READY_LINE);
		fire(READY_LINE, false);
		levels |= BIT_ULL(READY_LINE);
		fire(READY_LINE, true);
	}
	return again ? HRTIMER_RESTART : HRTIMER_NORESTART;
}

static void write_register(u8 which, u16 value)
{
	bool start = false;
	unsigned long flags;
	ktime_t end;

	spin_lock_irqsave(&guard, flags);
	if (which == 1) {
		bool single = value & 0x100, begin = value & 0x8000;

		if ((value ^ reg[1]) & 0x7fff)
			now_.generation++;
		reg[1] = value & 0x7fff;
		now_.config = reg[1];
		start = !now_.end_ns && (!single || begin);
		if (!start && !now_.end_ns)
			reg[1] |= 0x8000;
		if (start) {
			now_.period_ns = period_ns(reg[1]);
			end = ktime_add_ns(ktime_get(), 30000 + now_.period_ns);
			now_.end_ns = ktime_to_ns(end);
		}
	} else if (which) {
		reg[which] = value;
	}
	spin_unlock_irqrestore(&guard, flags);
	if (start)
		hrtimer_start(&conversion, end, HRTIMER_MODE_ABS);
}

static int xfer(struct i2c_adapter *bus, struct i2c_msg *message, int count)
{
	unsigned long flags;
	int k, bits = 0;
	u16 value;

	for (k = 0; k < count; k++)
		bits += 9 * (message[k].len + 1) + 2;
	if (stuck) {
		msleep(1000);
		return -ETIMEDOUT;
	}
	usleep_range(bits * 5 / 2, bits * 5 / 2 + 10);
	for (k = 0; k < count; k++) {
		if (message[k].addr != CHIP || absent)
			return -EREMOTEIO;
		if (message[k].flags & I2C_M_RD) {
			spin_lock_irqsave(&guard, flags);
			value = reg[pointer];
			if (pointer == 0) {
				fresh = false;
				now_.fetched++;
			}
			spin_unlock_irqrestore(&guard, flags);
			memset(message[k].buf, 0xff, message[k].len);
			if (message[k].len > 0)
				message[k].buf[0] = value >> 8;
			if (message[k].len > 1)
				message[k].buf[1] = value;
		} else if (message[k].len > 0) {
			pointer = message[k].buf[0] & 3;
			if (message[k].len > 2)
				write_register(pointer, message[k].buf[1] << 8 | message[k].buf[2]);
		}
	}
	return count;
}

static u32 abilities(struct i2c_adapter *bus)
{
	return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
}

static const struct i2c_algorithm algorithm = {.master_xfer = xfer, .functionality = abilities};
static struct i2c_adapter bus = {.owner = THIS_MODULE, .algo = &algorithm, .name = "virtual bus", .nr = 1};

/* ---- the program behind it -------------------------------------------------------------------------------------- */

static ssize_t water_read(struct file *file, char __user *to, size_t size, loff_t *at)
{
	struct state copy;
	unsigned long flags;

	spin_lock_irqsave(&guard, flags);
	copy = now_;
	copy.outputs = outs & out_mask;
	spin_unlock_irqrestore(&guard, flags);
	size = min(size, sizeof(copy));
	return copy_to_user(to, &copy, size) ? -EFAULT : size;
}

static struct ahead ahead;
static DEFINE_MUTEX(one_writer);

static ssize_t water_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
	unsigned long flags;
	ssize_t result = size;
	u32 k;

	if (size < offsetof(struct ahead, code) || size > sizeof(ahead))
		return -EINVAL;
	mutex_lock(&one_writer);
	if (copy_from_user(&ahead, from, size)) {
		result = -EFAULT;
	} else if (ahead.count > MOST || size < offsetof(struct ahead, code) + 2 * ahead.count) {
		result = -EINVAL;
	} else {
		spin_lock_irqsave(&guard, flags);
		for (k = 0; ahead.generation == now_.generation && k < ahead.count; k++) {
			ring_code[(ahead.first_index + k) % RING] = ahead.code[k];
			ring_index[(ahead.first_index + k) % RING] = ahead.first_index + k;
		}
		spin_unlock_irqrestore(&guard, flags);
	}
	mutex_unlock(&one_writer);
	return result;
}

static ssize_t contacts_write(struct file *file, const char __user *from, size_t size, loff_t *at)
{
	char text[16] = "";
	unsigned int line, level;
	unsigned long flags;

	if (size >= sizeof(text) || copy_from_user(text, from, size))
		return -EINVAL;
	if (sscanf(text, "%u %u", &line, &level) != 2 || line >= LINES)
		return -EINVAL;
	spin_lock_irqsave(&guard, flags);
	wanted = level ? wanted | BIT_ULL(line) : wanted & ~BIT_ULL(line);
	spin_unlock_irqrestore(&guard, flags);
	hrtimer_start(&contacts, ktime_set(0, 1000), HRTIMER_MODE_REL);
	return size;
}

static const struct file_operations water_calls = {.owner = THIS_MODULE, .read = water_read, .write = water_write};
static const struct file_operations contact_calls = {.owner = THIS_MODULE, .write = contacts_write};
static struct miscdevice water = {.minor = MISC_DYNAMIC_MINOR, .name = "virtual-water", .fops = &water_calls};
static struct miscdevice hands = {.minor = MISC_DYNAMIC_MINOR, .name = "virtual-contacts", .fops = &contact_calls};
static struct platform_device *soc;

static int __init begin(void)
{
	int failed;

	reg[1] = 0x8583 & 0x7fff;
	reg[2] = 0x8000;
	reg[3] = 0x7fff;
	now_.config = reg[1];
	now_.next_index = 1;
	reg[1] |= 0x8000;
	hrtimer_init(&conversion, CLOCK_MONOTONIC, HRTIMER_MODE_ABS);
	conversion.function = convert;
	hrtimer_init(&contacts, CLOCK_MONOTONIC, HRTIMER_MODE_REL);
	contacts.function = move_contacts;
	soc = platform_device_register_simple("virtual-soc", -1, NULL, 0);
	if (IS_ERR(soc))
		return PTR_ERR(soc);
	pins.label = "pinctrl-bcm2711";
	pins.parent = &soc->dev;
	pins.owner = THIS_MODULE;
	pins.base = -1;
	pins.ngpio = LINES;
	pins.get_direction = pin_direction;
	pins.direction_input = pin_input;
	pins.direction_output = pin_output;
	pins.get = pin_get;
	pins.set = pin_set;
	pins.set_config = pin_config;
	gpio_irq_chip_set_chip(&pins.irq, &edges);
	pins.irq.handler = handle_simple_irq;
	pins.irq.default_type = IRQ_TYPE_NONE;
	failed = gpiochip_add_data(&pins, NULL);
	if (failed)
		return failed;
	failed = i2c_add_numbered_adapter(&bus);
	if (failed)
		return failed;
	failed = misc_register(&water);
	return failed ? failed : misc_register(&hands);
}

/* Never unloaded: the machine is thrown away. */
module_init(begin);
MODULE_LICENSE("Dual MIT/GPL");
MODULE_DESCRIPTION("Emulated converter and pins for a virtual Raspberry Pi");
