/* Exchange: staged and running image trade places through the lift sector, each move noted when done; the new image
 * is on trial and goes back unless it reports itself good. The same order as in docs/procedures.md. */
#include "install.h"
#include "log.h"
#include "part.h"

/* A move: which sector of the slot, which of its three moves, which way. */
#define MOVE(index, phase, back) ((index) | (phase) << 8 | (back) << 16)
#define INDEX(move) ((move) & 0xFFu)
#define PHASE(move) ((move) >> 8 & 0xFFu)
#define BACK(move)  ((move) >> 16 & 1u)

static void make_move(uint32_t move)
{
    uint32_t run = RUN + INDEX(move) * SECTOR_SIZE, stage = STAGE + INDEX(move) * SECTOR_SIZE;
    if (PHASE(move) == 0)
        move_sector(run, LIFT);
    else if (PHASE(move) == 1)
        move_sector(stage, run);
    else
        move_sector(LIFT, stage);
}

/* Make all moves from `move` on and note each. */
static void move_on(uint32_t move)
{
    for (;;) {
        uint32_t next = PHASE(move) < 2 ? MOVE(INDEX(move), PHASE(move) + 1, BACK(move)) : MOVE(INDEX(move) + 1, 0, BACK(move));
#ifdef FLAW_NOTED_BEFORE_DONE
        if (INDEX(next) < SLOT_SECTORS)
            log_append(JOURNAL, MOVING, next); /* flaw: a cut after this line skips the move */
        make_move(move);
#else
        make_move(move);
        if (INDEX(next) < SLOT_SECTORS)
            log_append(JOURNAL, MOVING, next);
#endif
        if (INDEX(next) >= SLOT_SECTORS)
            break;
        move = next;
    }
#ifndef FLAW_NO_TRIAL /* flaw: without these lines a new image is kept at once */
    if (!BACK(move)) {
        log_append(REQUESTS, NOTHING, 0); /* still standing, it would install again after a failed trial */
        log_append(JOURNAL, TRIAL, 0);
        return;
    }
#endif
    log_append(JOURNAL, KEPT, 0);
    log_append(REQUESTS, NOTHING, 0);
}

static void begin(uint32_t back)
{
    log_append(JOURNAL, MOVING, MOVE(0u, 0u, back));
    move_on(MOVE(0u, 0u, back));
}

static uint32_t journal_kind(void)
{
    struct record noted;
    return log_newest(JOURNAL, &noted) ? noted.kind : KEPT;
}

static void keep(void)
{
    struct approved approved;
    if (IS_GOOD(is_acceptable(RUN, &approved)))
        floor_raise(approved.version);
    log_append(JOURNAL, KEPT, 0);
    log_append(REQUESTS, NOTHING, 0);
}

void install(void)
{
    struct record noted, asked;
    struct approved approved;
    uint32_t kind = log_newest(JOURNAL, &noted) ? noted.kind : KEPT;
    uint32_t request = log_newest(REQUESTS, &asked) ? asked.kind : NOTHING;
    if (kind == MOVING) {
        move_on(noted.value);
    } else if (kind == TRIAL) {
        if (request == GOODRUN)
            keep();
        else
            begin(1);
    } else if (request == INSTALL && IS_GOOD(is_acceptable(STAGE, &approved))) {
        begin(0);
    } else if (request != NOTHING) {
        log_append(REQUESTS, NOTHING, 0);
    }
    if (journal_kind() == TRIAL) {
        boot_run_slot(1);
        begin(1); /* the new image does not check: back at once */
    }
}
