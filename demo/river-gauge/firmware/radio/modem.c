/* Chirps: each symbol is one sweep over the band that starts at its own frequency and wraps round. */
#include "modem.h"
#include "part.h"
#include "tables.h"

#define STEPS 256 /* samples a sweep; one a symbol value */

static void put_phase(uint32_t phase)
{
    uint32_t turn = phase >> 21 & 2047;
    while (!(MODEM_STATUS & 1)) {
    }
    MODEM_PHASE = (uint32_t)(uint16_t)sine[(turn + 512) & 2047] << 16 | (uint16_t)sine[turn];
}

static void sweep(unsigned start, int down, uint32_t *phase)
{
    for (unsigned i = 0; i < STEPS; i++) {
        int32_t step = (int32_t)((start + i) % STEPS) - STEPS / 2;
        *phase += (uint32_t)(down ? -step : step) << 23;
        put_phase(*phase);
    }
}

void modem_send(const uint16_t *symbols, unsigned count, unsigned channel)
{
    uint32_t phase = 0;
    MODEM_CHANNEL = channel;
    for (unsigned i = 0; i < 8; i++)
        sweep(0, 0, &phase);
#if VERSION_MINOR >= 2
    for (unsigned i = 0; i < 3; i++) /* 3.2.0: a third down sweep; base stations find the frame's start sooner */
        sweep(0, 1, &phase);
#else
    for (unsigned i = 0; i < 2; i++)
        sweep(0, 1, &phase);
#endif
    for (unsigned i = 0; i < count; i++)
        sweep(symbols[i], 0, &phase);
}

int modem_receive(uint16_t *symbols, unsigned room)
{
    unsigned count = 0;
    while (count < room && MODEM_STATUS & 2)
        symbols[count++] = (uint16_t)MODEM_BYTE;
    return (int)count;
}
