/* Reading flash that a power cut may have left half programmed: such a word is a bus fault on this part. */
#ifndef GUARD_H
#define GUARD_H
#include <stdbool.h>
#include <stdint.h>

#define GUARD_UNREADABLE 0xA5A5A5A5u

bool guard_read(uint32_t *to, uint32_t from, uint32_t words);
void guard_copy(uint32_t *to, uint32_t from, uint32_t words);

#endif
