/* Boot stage of the RL-2: follow the newest slot record whose image has the recorded digest; else run recovery. */
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include "flash.h"
#include "guard.h"
#include "handover.h"
#include "layout.h"
#include "part.h"
#include "record.h"
#include "sha256.h"

#define RECORDS_PER_SECTOR (SECTOR_SIZE / sizeof(struct slot_record))
#define FLOORS_PER_SECTOR  (SECTOR_SIZE / 16)
#define TRIED_AT           offsetof(struct slot_record, tried)
#define LEAST_IMAGE        320u /* the vector table: 16 words and 64 interrupts */
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

/* The digest of what can be read; false where a word cannot. */
__attribute__((noinline)) bool digest_of_flash(uint32_t address, uint32_t length, uint8_t digest[32])
{
    struct sha256 hash;
    uint32_t piece[64];
    sha256_begin(&hash);
    for (uint32_t at = 0; at < length; at += sizeof piece) {
        uint32_t size = length - at < sizeof piece ? length - at : sizeof piece;
        WATCHDOG_FEED = WATCHDOG_WORD;
        if (!guard_read(piece, address + at, (size + 3) / 4))
            return false;
        sha256_add(&hash, (const uint8_t *)piece, size);
    }
    sha256_end(&hash, digest);
    return true;
}

__attribute__((noinline)) bool image_is_whole(const struct slot_record *record, const struct place *place)
{
    uint8_t digest[32];
    if (record->address != place->first && record->address != place->second)
        return false;
    if (record->length < LEAST_IMAGE || record->length > place->size)
        return false;
    return digest_of_flash(record->address, record->length, digest) && digests_agree(digest, record->digest)
        && vectors_are_sane(record->address, record->length);
}

/* The newest record of `log` under `below` that may run and whose image is whole. */
__attribute__((noinline)) const struct slot_record *choose(const struct slot_record *log, const struct place *place,
                                                           uint32_t floor, uint32_t below)
{
    for (;;) {
        const struct slot_record *record = record_newest(log, RECORDS_PER_SECTOR, below, floor);
        if (!record || image_is_whole(record, place))
            return record;
        below = record->sequence;
    }
}

static bool has_sequence(const struct slot_record *log, uint32_t sequence)
{
    for (unsigned i = 0; i < RECORDS_PER_SECTOR; i++)
        if (record_is_sound(&log[i]) && log[i].sequence == sequence)
            return true;
    return false;
}

static uint32_t newest_sequence(const struct slot_record *log)
{
    uint32_t newest = 0;
    for (unsigned i = 0; i < RECORDS_PER_SECTOR; i++)
        if (record_is_sound(&log[i]) && log[i].sequence > newest)
            newest = log[i].sequence;
    return newest;
}

/* Where in flash a record of the RAM copy stands. */
static uint32_t flash_address(uint32_t sector, const struct slot_record *log, const struct slot_record *record)
{
    return record ? sector + (uint32_t)(record - log) * sizeof *record : 0;
}

__attribute__((noinline)) bool set_mark(uint32_t address)
{
    static const uint32_t SET[2] = {MARK_SET, MARK_SET};
    return flash_program_unit(address, SET);
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

static struct slot_record application_log[RECORDS_PER_SECTOR], radio_log[RECORDS_PER_SECTOR];
static uint32_t floor_log[SECTOR_SIZE / 4];

int main(void)
{
    const struct slot_record *application, *radio;
    uint32_t below = 0xFFFFFFFFu;
    if (recovery_is_asked_for())
        start_recovery(BOOT_ASKED);
    guard_copy((uint32_t *)application_log, APPLICATION_RECORDS, sizeof application_log / 4);
    guard_copy((uint32_t *)radio_log, RADIO_RECORDS, sizeof radio_log / 4);
    guard_copy(floor_log, FLOOR_RECORDS, SECTOR_SIZE / 4);
    uint32_t floor = floor_read(floor_log, FLOORS_PER_SECTOR);
    /* Images of one release go together: no application with a newer radio stack, and none without the radio stack
     * that was released with it. */
    for (;;) {
        application = choose(application_log, &APPLICATION, floor, below);
        if (!application)
            start_recovery(BOOT_NO_IMAGE);
        radio = choose(radio_log, &RADIO, 0, application->sequence + 1);
        if ((radio && radio->sequence == application->sequence) || !has_sequence(radio_log, application->sequence))
            break;
        below = application->sequence;
    }
    uint32_t application_at = flash_address(APPLICATION_RECORDS, application_log, application);
    uint32_t radio_at = flash_address(RADIO_RECORDS, radio_log, radio);
    uint32_t reason = application->sequence < newest_sequence(application_log) ? BOOT_RETURNED : BOOT_KEPT;
    if (!mark_is_set(application->kept)) {
        reason = BOOT_ON_TRIAL;
        if (!set_mark(application_at + TRIED_AT))
            start_recovery(BOOT_NO_IMAGE);
    }
    if (radio && !mark_is_set(radio->kept)) {
        reason = BOOT_ON_TRIAL;
        if (!set_mark(radio_at + TRIED_AT))
            start_recovery(BOOT_NO_IMAGE);
    }
    HANDOVER_AREA->application_record = application_at;
    HANDOVER_AREA->radio_record = radio ? radio_at : 0;
    HANDOVER_AREA->radio_address = radio ? radio->address : 0;
    HANDOVER_AREA->reason = reason;
    HANDOVER_AREA->mark = HANDOVER_MARK;
    start_image(application->address);
}
