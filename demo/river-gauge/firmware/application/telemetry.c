/* Messages: the newest reading in full, older ones as differences of variable length. */
#include "telemetry.h"

static unsigned put(uint8_t *out, unsigned at, uint32_t value, unsigned bytes)
{
    for (; bytes; bytes--, value >>= 8)
        out[at++] = (uint8_t)value;
    return at;
}

/* Seven bits a byte, the sign folded into the lowest bit. */
static unsigned put_difference(uint8_t *out, unsigned at, int32_t value)
{
    uint32_t folded = (uint32_t)value << 1 ^ (uint32_t)(value >> 31);
    while (folded >= 0x80) {
        out[at++] = (uint8_t)(folded | 0x80);
        folded >>= 7;
    }
    out[at++] = (uint8_t)folded;
    return at;
}

unsigned telemetry_pack(const struct ringlog *log, uint8_t out[TELEMETRY_MOST], uint8_t flags)
{
    struct ringlog_entry now, older;
    unsigned at = put(out, 0, VERSION_MINOR << 4 | 1, 1);
    at = put(out, at, flags, 1);
    if (!ringlog_get(log, 0, &now))
        return at;
    at = put(out, at, now.at_s, 4);
    at = put(out, at, (uint16_t)now.level_mm, 2);
    at = put(out, at, now.discharge, 4);
    at = put(out, at, (uint16_t)now.centidegree, 2);
    at = put(out, at, now.battery, 1);
    at = put(out, at, now.alarm, 1);
    for (uint32_t age = 1; age < 8 && at + 10 <= TELEMETRY_MOST && ringlog_get(log, age, &older); age++) {
        at = put_difference(out, at, (int32_t)(now.at_s - older.at_s));
        at = put_difference(out, at, now.level_mm - older.level_mm);
        now = older;
    }
    return at;
}
