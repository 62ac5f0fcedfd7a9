/* Three small append-only logs: journal, requests, version floor. Only the newest sound record of each counts. */
#ifndef LOG_H
#define LOG_H
#include <stdbool.h>
#include <stdint.h>

struct record {
    uint32_t kind, value, sequence, check; /* check: CRC-32 of the three words before it */
};

#ifndef RECORDS_PER_SECTOR
#define RECORDS_PER_SECTOR 8u /* few, so that a bench sees the turn from one sector to the other soon */
#endif

/* Kinds; each is four letters. */
#define KEPT    0x5450454Bu /* journal: an image is kept */
#define COPYING 0x59504F43u /* journal: the staged image is being copied */
#define MOVING  0x45564F4Du /* journal: an exchange; value says which move comes next */
#define TRIAL   0x4C495254u /* journal: the image in the run slot is on trial */
#define NOTHING 0x454E4F4Eu /* requests: none */
#define INSTALL 0x54534E49u /* requests: install what is staged */
#define GOODRUN 0x444F4F47u /* requests: the image on trial reports itself good */
#define LEAST   0x5341454Cu /* floor: value is the lowest version that may run */

bool log_newest(uint32_t log, struct record *to);
void log_append(uint32_t log, uint32_t kind, uint32_t value);
void log_write_again(uint32_t log);
uint32_t floor_read(void);
void floor_raise(uint32_t version);

#endif
