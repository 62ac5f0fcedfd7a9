#include "flash.h"
#include "install.h"
#include "log.h"
#include "part.h"

static uint32_t is_blank_unit(const uint32_t *unit)
{
    return (unit[0] & unit[1]) == 0xFFFFFFFFu;
}

#ifdef FLAW_BLANK_TRUSTED
static uint32_t reads_blank(uint32_t sector)
{
    uint32_t unit[UNIT_SIZE / 4];
    for (uint32_t at = 0; at < SECTOR_SIZE; at += UNIT_SIZE)
        if (flash_read(sector + at, unit, UNIT_SIZE) || !is_blank_unit(unit))
            return 0;
    return 1;
}
#endif

/* Erase one sector and program it with what another reads. Blank units stay blank; what cannot be read is left out.
 * Errors are not looked at: whoever relies on the sector checks the image in it. */
__attribute__((noinline)) void move_sector(uint32_t from, uint32_t to)
{
    uint32_t piece[64];
#ifdef FLAW_BLANK_TRUSTED
    if (!reads_blank(to)) /* flaw: an erase that was cut can leave cells that only read blank */
#endif
        flash_erase(to);
    for (uint32_t at = 0; at < SECTOR_SIZE; at += sizeof piece) {
        uint32_t whole = !flash_read(from + at, piece, sizeof piece);
        for (uint32_t i = 0; i < sizeof piece / 4; i += UNIT_SIZE / 4) {
            if (!whole && flash_read(from + at + 4 * i, &piece[i], UNIT_SIZE))
                continue;
            if (!is_blank_unit(&piece[i]))
                flash_program(to + at + 4 * i, &piece[i]);
        }
    }
}

/* Is there an image at `slot` that may run in the run slot? */
verdict is_acceptable(uint32_t slot, struct approved *approved)
{
    return image_check(slot, RUN, SLOT_SIZE, floor_read(), approved);
}
