/* What the radio stack offers the application; its reset vector is called like a function and returns this table. */
#ifndef RADIO_CALLS_H
#define RADIO_CALLS_H
#include <stdint.h>

#define RADIO_CALLS_MARK 0x4F494452u

struct radio_calls {
    uint32_t mark;
    uint32_t interface; /* 3: this header */
    const char *version;
    int (*send)(const uint8_t *payload, uint32_t size, uint32_t now_s); /* bytes sent, or under 0 */
    int (*receive)(uint8_t *payload, uint32_t room);
    uint32_t (*wait_s)(uint32_t size, uint32_t now_s); /* until the duty cycle allows a frame */
};

enum radio_error { RADIO_TOO_LONG = -1, RADIO_MUST_WAIT = -2, RADIO_NOTHING = -3, RADIO_DAMAGED = -4 };

#endif
