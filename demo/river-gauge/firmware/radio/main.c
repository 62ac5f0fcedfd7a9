/* Radio stack of the RL-2. Its reset vector is called like a function: it readies its RAM and returns its calls. */
#include "duty.h"
#include "frame.h"
#include "modem.h"
#include "part.h"
#include "radio_calls.h"
#include "tables.h"

#define TEXT(x)  TEXT_(x)
#define TEXT_(x) #x
#define NETWORK   0x2B
#define SPREADING 9
#define CODING    4

__attribute__((used, section(".version"))) const char radio_version[] = "RL-2 radio " TEXT(VERSION_MAJOR) "." TEXT(VERSION_MINOR) "." TEXT(VERSION_PATCH);

extern uint32_t initial_stack[], data_load[], data_start[], data_end[], bss_start[], bss_end[];

static struct duty duty;
static uint8_t sequence;
static uint16_t symbols[FRAME_SYMBOLS];

static uint32_t wait_s(uint32_t size, uint32_t now_s)
{
    return duty_wait_s(&duty, now_s, duty_airtime_us(SPREADING, CODING, size + FRAME_OVERHEAD));
}

static int send(const uint8_t *payload, uint32_t size, uint32_t now_s)
{
    if (wait_s(size, now_s))
        return RADIO_MUST_WAIT;
    int count = frame_encode(NETWORK, sequence, payload, size, symbols);
    if (count < 0)
        return count;
    modem_send(symbols, (unsigned)count, hop[NETWORK % HOP_SEQUENCES][sequence & 127]);
    duty_spend(&duty, now_s, duty_airtime_us(SPREADING, CODING, size + FRAME_OVERHEAD));
    sequence++;
    return (int)size;
}

static int receive(uint8_t *payload, uint32_t room)
{
    int count = modem_receive(symbols, FRAME_SYMBOLS);
    return count ? frame_decode(NETWORK, symbols, (unsigned)count, payload, room) : RADIO_NOTHING;
}

static const struct radio_calls CALLS = {RADIO_CALLS_MARK, 3, radio_version, send, receive, wait_s};

const struct radio_calls *radio_begin(void)
{
    uint32_t *from = data_load;
    for (uint32_t *to = data_start; to < data_end;)
        *to++ = *from++;
    for (uint32_t *to = bss_start; to < bss_end;)
        *to++ = 0;
    return &CALLS;
}

/* Words 0 and 1 as in any Armv7-M table; the application keeps the processor's vectors, so the rest is not used. */
typedef const struct radio_calls *(*begin)(void);
__attribute__((section(".vectors"), used)) const begin vector_table[16 + 64] = {(begin)initial_stack, radio_begin};
