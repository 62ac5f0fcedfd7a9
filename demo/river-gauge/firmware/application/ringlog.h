/* The last readings, kept in RAM with a check code each, so that a reset by the watchdog does not lose them. */
#ifndef RINGLOG_H
#define RINGLOG_H
#include <stdbool.h>
#include <stdint.h>

#define RINGLOG_ENTRIES 1024

struct ringlog_entry {
    uint32_t at_s;
    uint32_t discharge;
    int16_t level_mm;
    int16_t centidegree;
    uint8_t battery;
    uint8_t alarm;
    uint16_t check;
};

struct ringlog {
    struct ringlog_entry entry[RINGLOG_ENTRIES];
    uint32_t next;
};

void ringlog_put(struct ringlog *log, struct ringlog_entry entry);
bool ringlog_get(const struct ringlog *log, uint32_t age, struct ringlog_entry *entry);
unsigned ringlog_recover(struct ringlog *log);

#endif
