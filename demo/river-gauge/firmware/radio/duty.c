#include "duty.h"
#include "tables.h"

#define ALLOWANCE_US 36000000u /* one hundredth of an hour */

uint32_t duty_airtime_us(unsigned spreading, unsigned coding, unsigned size)
{
    if (spreading < 7 || spreading > 12 || coding < 1 || coding > 4 || size > 255)
        return ALLOWANCE_US;
    return airtime_us[spreading - 7][coding - 1][size];
}

static void advance(struct duty *duty, uint32_t minute)
{
    uint32_t steps = minute - duty->minute;
    if (steps > 60)
        steps = 60;
    for (; steps; steps--)
        duty->used_us[(minute - steps + 1) % 60] = 0;
    duty->minute = minute;
}

/* Seconds until a frame of that length may go out; 0: now. */
uint32_t duty_wait_s(struct duty *duty, uint32_t now_s, uint32_t airtime_us)
{
    uint32_t used = 0;
    advance(duty, now_s / 60);
    for (unsigned i = 0; i < 60; i++)
        used += duty->used_us[i];
    if (airtime_us > ALLOWANCE_US)
        airtime_us = ALLOWANCE_US;
    for (uint32_t back = 59; used + airtime_us > ALLOWANCE_US; back--) {
        used -= duty->used_us[(duty->minute - back) % 60];
        if (used + airtime_us <= ALLOWANCE_US)
            return (60 - back) * 60 - now_s % 60;
        if (!back)
            break;
    }
    return 0;
}

void duty_spend(struct duty *duty, uint32_t now_s, uint32_t airtime_us)
{
    advance(duty, now_s / 60);
    duty->used_us[duty->minute % 60] += airtime_us;
}
