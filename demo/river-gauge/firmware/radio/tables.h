/* Tables computed by tables.py at build time. */
#ifndef TABLES_H
#define TABLES_H
#include <stdint.h>

#define WHITENING_PERIOD 511
extern const uint8_t whitening[WHITENING_PERIOD];
extern const uint8_t hamming_nearest[256]; /* nibble; 0x10: one bit corrected; 0x80: two wrong */
extern const int16_t sine[2048];           /* one turn */
extern const uint32_t airtime_us[6][4][256]; /* spreading 7 to 12, coding 1 to 4, payload bytes */
#if VERSION_MINOR >= 2
#define HOP_SEQUENCES 48 /* 3.2.0: every network has its own sequence over 64 channels */
#else
#define HOP_SEQUENCES 32
#endif
extern const uint8_t hop[HOP_SEQUENCES][128];

#endif
