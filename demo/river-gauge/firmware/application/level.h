/* River level from noisy readings: running median, rate of change, alarms with hysteresis. Lengths in millimetres. */
#ifndef LEVEL_H
#define LEVEL_H
#include <stdbool.h>
#include <stdint.h>

#if VERSION_MINOR >= 5
#define MEDIAN_WINDOW 9 /* 1.5.0: one more outlier on each side than 1.4.0 survived, after the spring floods */
#define RATE_WINDOW   12
#else
#define MEDIAN_WINDOW 7
#define RATE_WINDOW   8
#endif

enum level_alarm { LEVEL_CALM, LEVEL_RISING, LEVEL_HIGH, LEVEL_FLOOD };

struct level_limits {
    int32_t high_mm, flood_mm, hysteresis_mm, rising_mm_per_hour;
};

struct level {
    int32_t raw[MEDIAN_WINDOW];
    int32_t smooth[RATE_WINDOW];
    uint32_t at_s[RATE_WINDOW];
    uint32_t readings;
    enum level_alarm alarm;
};

int32_t median_of(const int32_t *values, unsigned count);
void level_begin(struct level *level);
int32_t level_add(struct level *level, int32_t reading_mm, uint32_t now_s);
int32_t level_rate_mm_per_hour(const struct level *level);
enum level_alarm level_judge(struct level *level, const struct level_limits *limits);
#if VERSION_MINOR >= 5
bool level_is_frozen(const struct level *level, int32_t water_centidegree, int32_t spread_limit_mm);
#endif

#endif
