/* The boot stage: close the debug port, finish or begin an installation, check what is to run, run it. */
#include "boot.h"
#include "flash.h"
#include "image.h"
#include "install.h"
#include "log.h"
#include "part.h"

__attribute__((used, section(".version"))) const char boot_version[] = "RL-2 bench boot 1.0.0";

__attribute__((weak, noinline)) void debug_lock(void)
{
    DEBUG_LOCK = DEBUG_LOCK_WORD;
}

#ifdef HARDENED
volatile uint32_t flow;

/* The recovery image has no floor. Asked anew for each check: one skipped branch decides one of them alone. */
static __attribute__((noinline)) uint32_t floor_for(uint32_t slot)
{
    return slot == RECOVERY ? ANY_VERSION : floor_read();
}

/* Check twice, from flash each time. The answers must agree, and both checks must have gone all their way. */
__attribute__((noinline)) uint32_t find_proof(uint32_t slot, uint32_t room, struct approved *approved)
{
    struct approved again;
    flow = 0;
    volatile verdict first = image_check(slot, slot, room, floor_for(slot), approved);
    if (first != GOOD)
        return BAD;
    volatile verdict second = image_check(slot, slot, room, floor_for(slot), &again);
    if (second != GOOD || again.version != approved->version || again.entry != approved->entry)
        panic();
    if (flow != 2 * FLOW_CHECK)
        panic();
    return first + 3u * second + flow;
}

static void check_and_start(uint32_t slot, uint32_t room, uint32_t raise, uint32_t any_version)
{
    struct approved approved;
    (void)any_version;
    /* Volatile: else the compiler hands on the constant that it was compared with. */
    volatile uint32_t proof = find_proof(slot, room, &approved);
    if (proof != PROOF)
        return;
    if (raise)
        floor_raise(approved.version);
    start_image(slot + approved.entry, proof);
}
#else
static void check_and_start(uint32_t slot, uint32_t room, uint32_t raise, uint32_t any_version)
{
    struct approved approved;
#if defined(FLAW_CHECKED_BEFORE_COPY)
    /* flaw: what was checked in staging is trusted ever after */
    if (slot == RUN)
        start_image(RUN + HEADER_SIZE, GOOD);
#elif defined(FLAW_FLOOR_NOT_AT_START)
    any_version = 1; /* flaw: the floor is read once, when an update is taken */
#endif
    if (!IS_GOOD(image_check(slot, slot, room, any_version ? ANY_VERSION : floor_read(), &approved)))
        return;
#ifndef FLAW_FLOOR_RAISED_LAST
    if (raise)
        floor_raise(approved.version);
#else
    (void)raise;
#endif
    start_image(slot + approved.entry, GOOD);
}
#endif

void boot_run_slot(uint32_t on_trial)
{
    check_and_start(RUN, SLOT_SIZE, !on_trial, 0);
}

int main(void)
{
#ifdef FLAW_DEBUG_OPEN
    struct header header; /* flaw: an image may ask for an open port, and nobody has checked it yet */
    if (flash_read(RUN, (uint32_t *)&header, sizeof header) || !(header.flags & 1))
#endif
        debug_lock();
    log_write_again(JOURNAL);
    log_write_again(REQUESTS);
    log_write_again(FLOOR);
    install();
    boot_run_slot(0);
    check_and_start(RECOVERY, RECOVERY_SIZE, 0, 1);
    panic();
}
