/* Boot stage of the RL-2: follow the newest slot record whose image has the recorded digest; else run recovery. */
#include <stdbool.h>
#include <stdint.h>
#include "flash.h"
#include "handover.h"
#include "layout.h"
#include "part.h"
#include "record.h"
#include "sha256.h"

#define RECORDS_PER_SECTOR (SECTOR_SIZE / sizeof(struct slot_record))
#define FLOORS_PER_SECTOR  (SECTOR_SIZE / 16)
#define RAM_START          0x20000000u
#define RAM_END            0x20018000u

__attribute__((used, section(".version"))) const char boot_version[] = "RL-2 boot 1.0.2";

struct place {
    uint32_t first, second, size;
};

static const struct place APPLICATION = {APPLICATION_FIRST, APPLICATION_SECOND, APPLICATION_SIZE};
static const struct place RADIO = {RADIO_FIRST, RADIO_SECOND, RADIO_SIZE};

/* A digest comparison that always looks at all 32 bytes. */
__attribute__((noinline)) bool digests_agree(const uint8_t *left, const uint8_t *right)
{
    uint32_t difference = 0;
    for (unsigned i = 0; i < 32; i++)
        difference |= (uint32_t)left[i] ^ right[i];
    return difference == 0;
}

/* Are the first two words at `start` a stack pointer in RAM and a Thumb address inside the image? */
__attribute__((noinline)) bool vectors_are_sane(uint32_t start, uint32_t length)
{
    const uint32_t *table = (const uint32_t *)(uintptr_t)start;
    uint32_t reset = table[1];
    return table[0] > RAM_START && table[0] <= RAM_END && !(table[0] & 7) && (reset & 1) && reset > start
        && reset - start < length;
}

__attribute__((noinline)) bool image_is_whole(const struct slot_record *record, const struct place *place)
{
    uint8_t digest[32];
    if (record->address != place->first && record->address != place->second)
        return false;
    if (record->length < 192 || record->length > place->size)
        return false;
    WATCHDOG_FEED = WATCHDOG_WORD;
    sha256_of((const uint8_t *)(uintptr_t)record->address, record->length, digest);
    return digests_agree(digest, record->digest) && vectors_are_sane(record->address, record->length);
}

/* The newest record whose image is whole. `passed_over` tells whether a newer sound one was not followed. */
__attribute__((noinline)) const struct slot_record *choose(uint32_t sector, const struct place *place, uint32_t floor,
                                                           bool *passed_over)
{
    const struct slot_record *log = (const struct slot_record *)(uintptr_t)sector;
    uint32_t below = 0xFFFFFFFFu, newest = 0;
    for (unsigned i = 0; i < RECORDS_PER_SECTOR; i++)
        if (record_is_sound(&log[i]) && log[i].sequence > newest)
            newest = log[i].sequence;
    for (;;) {
        const struct slot_record *record = record_newest(log, RECORDS_PER_SECTOR, below, floor);
        if (!record)
            return 0;
        if (image_is_whole(record, place)) {
            *passed_over = record->sequence < newest;
            return record;
        }
        below = record->sequence;
    }
}

__attribute__((noinline)) bool set_mark(const uint32_t *mark)
{
    static const uint32_t SET[4] = {MARK_SET, MARK_SET, MARK_SET, MARK_SET};
    return flash_program_unit((uint32_t)(uintptr_t)mark, SET);
}

/* Leave the boot stage: vector table, stack, reset address. */
__attribute__((noreturn, noinline)) void start_image(uint32_t address)
{
    const uint32_t *table = (const uint32_t *)(uintptr_t)address;
    VECTOR_OFFSET = address;
    __asm__ volatile("msr msp, %0\n\tdsb\n\tisb\n\tbx %1" : : "r"(table[0]), "r"(table[1]) : "memory");
    __builtin_unreachable();
}

static bool recovery_is_asked_for(void)
{
    bool asked = HANDOVER_AREA->mark == HANDOVER_MARK && HANDOVER_AREA->reason == BOOT_ASKED;
    HANDOVER_AREA->mark = 0;
    return asked;
}

__attribute__((noreturn)) static void start_recovery(uint32_t reason)
{
    HANDOVER_AREA->application_record = 0;
    HANDOVER_AREA->radio_record = 0;
    HANDOVER_AREA->radio_address = 0;
    HANDOVER_AREA->reason = reason;
    HANDOVER_AREA->mark = HANDOVER_MARK;
    if (vectors_are_sane(RECOVERY_START, RECOVERY_SIZE))
        start_image(RECOVERY_START);
    for (;;) { /* no recovery image: the watchdog resets, a service visit is due */
    }
}

int main(void)
{
    bool returned = false, radio_returned = false;
    if (recovery_is_asked_for())
        start_recovery(BOOT_ASKED);
    uint32_t floor = floor_read((const uint32_t *)(uintptr_t)FLOOR_RECORDS, FLOORS_PER_SECTOR);
    const struct slot_record *application = choose(APPLICATION_RECORDS, &APPLICATION, floor, &returned);
    const struct slot_record *radio = choose(RADIO_RECORDS, &RADIO, 0, &radio_returned);
    if (!application)
        start_recovery(BOOT_NO_IMAGE);
    uint32_t reason = returned || radio_returned ? BOOT_RETURNED : BOOT_KEPT;
    if (!mark_is_set(application->kept)) {
        reason = BOOT_ON_TRIAL;
        if (!set_mark(application->tried))
            start_recovery(BOOT_NO_IMAGE);
    }
    if (radio && !mark_is_set(radio->kept)) {
        reason = BOOT_ON_TRIAL;
        if (!set_mark(radio->tried))
            radio = 0;
    }
    HANDOVER_AREA->application_record = (uint32_t)(uintptr_t)application;
    HANDOVER_AREA->radio_record = (uint32_t)(uintptr_t)radio;
    HANDOVER_AREA->radio_address = radio ? radio->address : 0;
    HANDOVER_AREA->reason = reason;
    HANDOVER_AREA->mark = HANDOVER_MARK;
    start_image(application->address);
}
