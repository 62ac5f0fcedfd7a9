/* Recovery image of the RL-2: fetches an application over the service plug's serial line into the first slot.
 *
 * The demo checks that what arrived is what was announced (length and SHA-256). It does not check who announced it:
 * authenticity is the firmware consumer's part, which the demo models outside this image. See README.md. */
#include <stddef.h>
#include "display.h"
#include "flash.h"
#include "guard.h"
#include "handover.h"
#include "layout.h"
#include "part.h"
#include "receiver.h"
#include "record.h"
#include "sha256.h"

#define RECORDS_PER_SECTOR (SECTOR_SIZE / sizeof(struct slot_record))
#define LEAST_IMAGE        320u /* the vector table: 16 words and 64 interrupts */
#define ANNOUNCEMENT       40 /* length, sequence number, digest */

__attribute__((used, section(".version"))) const char recovery_version[] = "RL-2 recovery 1.0.0";

struct transfer {
    uint32_t length, sequence, next;
    uint8_t digest[32];
};

static struct receiver receiver;
static struct transfer transfer;
static uint32_t floor_log[SECTOR_SIZE / 4];

static uint32_t word_at(const uint8_t *data)
{
    return data[0] | (uint32_t)data[1] << 8 | (uint32_t)data[2] << 16 | (uint32_t)data[3] << 24;
}

static void answer(char sign)
{
    while (!(SERIAL_STATUS & 2)) {
    }
    SERIAL_DATA = (uint32_t)sign;
}

/* An announcement is taken only if it fits and is not older than the floor. The slot's records go first, so that no
 * record points at a half-written slot. */
static bool begin(const uint8_t *data, unsigned size)
{
    if (size != ANNOUNCEMENT)
        return false;
    transfer.length = word_at(data);
    transfer.sequence = word_at(data + 4);
    transfer.next = 0;
    for (unsigned i = 0; i < 32; i++)
        transfer.digest[i] = data[8 + i];
    guard_copy(floor_log, FLOOR_RECORDS, SECTOR_SIZE / 4);
    uint32_t floor = floor_read(floor_log, SECTOR_SIZE / 16);
    if (transfer.length < LEAST_IMAGE || transfer.length > APPLICATION_SIZE || transfer.sequence < floor
        || transfer.sequence == 0xFFFFFFFFu) {
        transfer.length = 0;
        return false;
    }
    if (!flash_erase_sector(APPLICATION_RECORDS))
        return false;
    for (uint32_t at = 0; at < APPLICATION_SIZE; at += SECTOR_SIZE)
        if (!flash_erase_sector(APPLICATION_FIRST + at))
            return false;
    return true;
}

static bool store(uint32_t offset, const uint8_t *data, unsigned size)
{
    if (!transfer.length || offset != transfer.next || !size || size > transfer.length - offset
        || (size % 8 && offset + size != transfer.length))
        return false;
    for (unsigned at = 0; at < size; at += 8) {
        uint32_t unit[2] = {0xFFFFFFFFu, 0xFFFFFFFFu};
        uint8_t *bytes = (uint8_t *)unit;
        for (unsigned i = 0; i < 8 && at + i < size; i++)
            bytes[i] = data[at + i];
        if (!flash_program_unit(APPLICATION_FIRST + offset + at, unit))
            return false;
    }
    transfer.next = offset + size;
    return true;
}

static bool finish(void)
{
    uint8_t digest[32];
    struct slot_record record;
    if (!transfer.length || transfer.next != transfer.length)
        return false;
    sha256_of((const uint8_t *)APPLICATION_FIRST, transfer.length, digest);
    for (unsigned i = 0; i < 32; i++)
        if (digest[i] != transfer.digest[i])
            return false;
    const struct slot_record *log = (const struct slot_record *)APPLICATION_RECORDS;
    const struct slot_record *place = record_free(log, RECORDS_PER_SECTOR);
    if (!place)
        return false;
    record_fill(&record, transfer.sequence, APPLICATION_FIRST, transfer.length, digest);
    const uint32_t *word = (const uint32_t *)&record;
    for (unsigned i = 0; i < offsetof(struct slot_record, tried) / 8; i++)
        if (!flash_program_unit((uint32_t)(uintptr_t)place + 8 * i, word + 2 * i))
            return false;
    transfer.length = 0;
    return true;
}

static bool handle(void)
{
    switch (receiver.kind) {
    case FRAME_BEGIN:
        return receiver.offset == 0 && begin(receiver.data, receiver.size);
    case FRAME_DATA:
        return store(receiver.offset, receiver.data, receiver.size);
    case FRAME_END:
        return receiver.size == 0 && finish();
    case FRAME_RUN:
        RESET_CONTROL = RESET_REQUEST;
        return true;
    default:
        return false;
    }
}

int main(void)
{
    receiver_begin(&receiver);
    display_text(0, 0, recovery_version);
    display_text(0, 1, HANDOVER_AREA->reason == BOOT_ASKED ? "SERVICE" : "NO APPLICATION");
    for (;;) {
        WATCHDOG_FEED = WATCHDOG_WORD;
        if (!(SERIAL_STATUS & 1))
            continue;
        switch (receiver_take(&receiver, (uint8_t)SERIAL_DATA)) {
        case RECEIVER_FRAME:
            answer(handle() ? '+' : '-');
            display_number(0, 2, (int32_t)transfer.next, 6, " BYTES");
            break;
        case RECEIVER_DAMAGED:
            answer('?');
            break;
        default:
            break;
        }
    }
}
