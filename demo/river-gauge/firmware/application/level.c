#include "level.h"
#include "divide.h"

int32_t median_of(const int32_t *values, unsigned count)
{
    int32_t sorted[16];
    for (unsigned i = 0; i < count; i++) {
        unsigned at = i;
        for (; at && sorted[at - 1] > values[i]; at--)
            sorted[at] = sorted[at - 1];
        sorted[at] = values[i];
    }
    return count & 1 ? sorted[count / 2] : (sorted[count / 2 - 1] + sorted[count / 2]) / 2;
}

void level_begin(struct level *level)
{
    level->readings = 0;
    level->alarm = LEVEL_CALM;
}

/* Take one reading in; return the median of the last MEDIAN_WINDOW of them. */
int32_t level_add(struct level *level, int32_t reading_mm, uint32_t now_s)
{
    level->raw[level->readings % MEDIAN_WINDOW] = reading_mm;
    unsigned have = level->readings + 1 < MEDIAN_WINDOW ? level->readings + 1 : MEDIAN_WINDOW;
    int32_t smooth = median_of(level->raw, have);
    level->smooth[level->readings % RATE_WINDOW] = smooth;
    level->at_s[level->readings % RATE_WINDOW] = now_s;
    level->readings++;
    return smooth;
}

/* Slope of the least-squares line through the last RATE_WINDOW medians. */
int32_t level_rate_mm_per_hour(const struct level *level)
{
    unsigned have = level->readings < RATE_WINDOW ? level->readings : RATE_WINDOW;
    if (have < 3)
        return 0;
    uint32_t newest = level->at_s[(level->readings - 1) % RATE_WINDOW];
    int32_t here = level->smooth[(level->readings - 1) % RATE_WINDOW];
    int64_t sum_t = 0, sum_y = 0, sum_tt = 0, sum_ty = 0, count = have;
    for (unsigned i = 0; i < have; i++) {
        int64_t t = -(int64_t)(uint32_t)(newest - level->at_s[i]), y = level->smooth[i] - here;
        sum_t += t;
        sum_y += y;
        sum_tt += t * t;
        sum_ty += t * y;
    }
    int64_t below = count * sum_tt - sum_t * sum_t;
    return below <= 0 ? 0 : (int32_t)divide(3600 * (count * sum_ty - sum_t * sum_y), below);
}

/* Alarms rise at a limit and fall only `hysteresis_mm` under it. */
enum level_alarm level_judge(struct level *level, const struct level_limits *limits)
{
    if (!level->readings)
        return level->alarm;
    int32_t now = level->smooth[(level->readings - 1) % RATE_WINDOW];
    int32_t flood = limits->flood_mm - (level->alarm == LEVEL_FLOOD ? limits->hysteresis_mm : 0);
    int32_t high = limits->high_mm - (level->alarm >= LEVEL_HIGH ? limits->hysteresis_mm : 0);
    if (now >= flood)
        level->alarm = LEVEL_FLOOD;
    else if (now >= high)
        level->alarm = LEVEL_HIGH;
    else
        level->alarm = level_rate_mm_per_hour(level) >= limits->rising_mm_per_hour ? LEVEL_RISING : LEVEL_CALM;
    return level->alarm;
}

#if VERSION_MINOR >= 5
/* An iced-in sensor shows water at freezing point and a level that hardly moves; flowing water always moves. */
bool level_is_frozen(const struct level *level, int32_t water_centidegree, int32_t spread_limit_mm)
{
    if (level->readings < MEDIAN_WINDOW || water_centidegree > 20)
        return false;
    int32_t low = level->raw[0], high = level->raw[0];
    for (unsigned i = 1; i < MEDIAN_WINDOW; i++) {
        if (level->raw[i] < low)
            low = level->raw[i];
        if (level->raw[i] > high)
            high = level->raw[i];
    }
    return high - low <= spread_limit_mm;
}
#endif
