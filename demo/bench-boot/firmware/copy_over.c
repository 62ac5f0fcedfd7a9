/* Copy-over: check the staged image, note the copy, copy, check again, then run. No way back.
 * The same order as the procedure of this name in docs/procedures.md. */
#include <stdbool.h>
#include "install.h"
#include "log.h"
#include "part.h"

static void copy(void)
{
    for (uint32_t at = 0; at < SLOT_SIZE; at += SECTOR_SIZE)
        move_sector(STAGE + at, RUN + at);
}

#ifdef FLAW_CHECKED_BEFORE_COPY
static void copy_and_check(void)
{
    copy(); /* flaw: what was copied is not looked at again */
}
#else
/* Copy, and copy again while the copy is bad and the staged image good. */
static void copy_and_check(void)
{
    struct approved approved;
    for (uint32_t tries = 0; tries < 3; tries++) {
        copy();
        if (IS_GOOD(is_acceptable(RUN, &approved))) {
#ifndef FLAW_FLOOR_RAISED_LAST
            floor_raise(approved.version); /* before the journal says that all is done */
#endif
            break;
        }
        if (!IS_GOOD(is_acceptable(STAGE, &approved)))
            break;
    }
}
#endif

static void finish(void)
{
    copy_and_check();
    log_append(JOURNAL, KEPT, 0);
    log_append(REQUESTS, NOTHING, 0);
#ifdef FLAW_FLOOR_RAISED_LAST
    struct approved approved;
    if (IS_GOOD(is_acceptable(RUN, &approved)))
        floor_raise(approved.version); /* flaw: a cut before this line, and the floor never rises */
#endif
}

void install(void)
{
    struct record noted, asked;
    struct approved approved;
    bool copying = log_newest(JOURNAL, &noted) && noted.kind == COPYING;
    if (!copying && log_newest(REQUESTS, &asked) && asked.kind == INSTALL) {
#ifdef FLAW_REQUEST_CLOSED_FIRST
        /* flaw: nothing remembers the copy if the power fails now */
        log_append(REQUESTS, NOTHING, 0);
        copying = IS_GOOD(is_acceptable(STAGE, &approved));
#else
        if (IS_GOOD(is_acceptable(STAGE, &approved))) {
            log_append(JOURNAL, COPYING, 0);
            copying = true;
        } else {
            log_append(REQUESTS, NOTHING, 0);
        }
#endif
    }
    if (copying)
        finish();
}
