/* Duty cycle: no more than one part in a hundred of any hour on the air, kept in minutes. */
#ifndef DUTY_H
#define DUTY_H
#include <stdint.h>

struct duty {
    uint32_t minute;        /* the newest minute accounted for */
    uint32_t used_us[60];
};

uint32_t duty_airtime_us(unsigned spreading, unsigned coding, unsigned size);
uint32_t duty_wait_s(struct duty *duty, uint32_t now_s, uint32_t airtime_us);
void duty_spend(struct duty *duty, uint32_t now_s, uint32_t airtime_us);

#endif
