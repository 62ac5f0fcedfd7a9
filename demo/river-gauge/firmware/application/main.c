/* Application of the RL-2: measure, judge, store, show, send, sleep. */
#include <stddef.h>
#include "battery.h"
#include "calibration.h"
#include "display.h"
#include "flash.h"
#include "guard.h"
#include "handover.h"
#include "level.h"
#include "part.h"
#include "radio_calls.h"
#include "rating.h"
#include "record.h"
#include "ringlog.h"
#include "schedule.h"
#include "sensor.h"
#include "tables.h"
#include "telemetry.h"

#define TEXT(x)  TEXT_(x)
#define TEXT_(x) #x

__attribute__((used, section(".version"))) const char application_version[] =
    "RL-2 application " TEXT(VERSION_MAJOR) "." TEXT(VERSION_MINOR) "." TEXT(VERSION_PATCH);

static struct level level;
static struct ringlog readings __attribute__((section(".kept_ram"))); /* not cleared at a reset */
static const struct radio_calls *radio;
static uint32_t sent_ok;

static const struct radio_calls *find_radio(void)
{
    uint32_t address = HANDOVER_AREA->radio_address;
    if (HANDOVER_AREA->mark != HANDOVER_MARK || (address != RADIO_FIRST && address != RADIO_SECOND))
        return 0;
    const struct radio_calls *(*begin)(void) =
        (const struct radio_calls *(*)(void))(uintptr_t)((const uint32_t *)(uintptr_t)address)[1];
    const struct radio_calls *calls = begin();
    return calls && calls->mark == RADIO_CALLS_MARK && calls->interface == 3 ? calls : 0;
}

/* The new image reports itself good: first one reading in range, then one message sent. */
__attribute__((noinline)) static void report_kept(void)
{
    static const uint32_t SET[2] = {MARK_SET, MARK_SET};
    uint32_t places[2] = {HANDOVER_AREA->application_record, HANDOVER_AREA->radio_record};
    for (unsigned i = 0; i < 2; i++) {
        struct slot_record record;
        if (!places[i])
            continue;
        guard_copy((uint32_t *)&record, places[i], sizeof record / 4);
        if (record_is_sound(&record) && (record.kept[0] & record.kept[1]) == 0xFFFFFFFFu)
            flash_program_unit(places[i] + offsetof(struct slot_record, kept), SET);
    }
    HANDOVER_AREA->reason = BOOT_KEPT;
}

static void show(const struct ringlog_entry *entry, uint32_t days_left)
{
    static const char *const WORD[] = {"CALM", "RISING", "HIGH", "FLOOD"};
    display_text(0, 0, application_version);
    display_number(0, 1, entry->level_mm, 5, " MM");
    display_number(0, 2, (int32_t)(entry->discharge / 10), 7, " L/S");
    display_number(0, 3, (int32_t)days_left, 4, " DAYS");
    display_text(12, 1, WORD[entry->alarm]);
}

int main(void)
{
    const struct calibration *calibration = (const struct calibration *)CALIBRATION_AREA;
    struct level_limits limits = {.high_mm = 2500, .flood_mm = 3600, .hysteresis_mm = 60, .rising_mm_per_hour = 150};
#if VERSION_MINOR >= 5
    limits.hysteresis_mm = 40;
    limits.rising_mm_per_hour = 120;
#endif
    int calibrated = calibration_is_sound(calibration);
    if (calibrated) {
        limits.high_mm = calibration->high_mm;
        limits.flood_mm = calibration->flood_mm;
    }
    unsigned section = calibrated ? calibration->section : 0, latitude = calibrated ? calibration->latitude : 50;
    ringlog_recover(&readings);
    level_begin(&level);
    radio = find_radio();
    for (;;) {
        WATCHDOG_FEED = WATCHDOG_WORD;
        uint32_t now_s = CLOCK_SECONDS;
        int32_t centidegree = (int32_t)SENSOR_TEMPERATURE;
        int32_t depth = sensor_depth_mm(SENSOR_PRESSURE, centidegree);
        if (calibrated)
            depth = calibration_apply(calibration, depth);
        int32_t smooth = level_add(&level, depth, now_s);
        enum level_alarm alarm = level_judge(&level, &limits);
        unsigned day = now_s / 86400u % 366, row = latitude < 30 || latitude > 60 ? 20 : latitude - 30;
        unsigned percent = battery_percent(SENSOR_BATTERY, centidegree);
        uint32_t interval_s = schedule_interval_s(alarm, percent, daylight_minutes[row][day]);
        uint8_t flags = (uint8_t)(calibrated ? 1 : 0);
#if VERSION_MINOR >= 5
        int32_t freezing = freezing_centidegree[SENSOR_CONDUCTIVITY & 255];
        if (level_is_frozen(&level, centidegree - freezing, 2)) {
            flags |= 4;
            interval_s *= 4;
        }
#endif
        struct ringlog_entry entry = {
            .at_s = now_s, .discharge = rating_discharge(section, smooth), .level_mm = (int16_t)smooth,
            .centidegree = (int16_t)centidegree, .battery = (uint8_t)percent, .alarm = (uint8_t)alarm,
        };
        if (rating_stage(section, entry.discharge) > limits.flood_mm)
            flags |= 2;
        ringlog_put(&readings, entry);
        show(&entry, battery_days_left(percent, interval_s, day, latitude, SENSOR_SOLAR));
        uint8_t message[TELEMETRY_MOST];
        unsigned size = telemetry_pack(&readings, message, flags);
        if (radio && radio->wait_s(size, now_s) == 0 && radio->send(message, size, now_s) > 0)
            sent_ok++;
        if (HANDOVER_AREA->reason == BOOT_ON_TRIAL && sent_ok && depth > -1000 && depth < 20000)
            report_kept();
        CLOCK_WAKE_AT = schedule_next(now_s, interval_s);
        __asm__ volatile("wfi");
    }
}
