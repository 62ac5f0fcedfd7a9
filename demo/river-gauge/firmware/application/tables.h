/* Tables computed by tables.py at build time. */
#ifndef TABLES_H
#define TABLES_H
#include <stdint.h>

#define RATING_SECTIONS  3
#define RATING_POINTS    2048 /* 2 mm steps */
#define RATING_STEP_MM   2
extern const uint32_t rating_table[RATING_SECTIONS][RATING_POINTS]; /* decilitres per second */

#define SENSOR_GRID 65 /* pressure by temperature */
extern const int16_t sensor_correction[SENSOR_GRID][SENSOR_GRID]; /* tenths of a millimetre */

#define DAY_LATITUDES 31 /* 30 to 60 degrees north */
extern const uint16_t daylight_minutes[DAY_LATITUDES][366];

#define BATTERY_TEMPERATURES 33 /* -40 to 88 degrees Celsius in steps of 4 */
extern const uint16_t battery_millivolt[BATTERY_TEMPERATURES][101]; /* by percent left */

#define GLYPH_COUNT 59 /* from space to Z */
extern const uint16_t glyph_rows[GLYPH_COUNT][24];

#if VERSION_MINOR >= 5
extern const int16_t freezing_centidegree[256]; /* by conductivity, 0.25 mS/cm steps */
#endif
#endif
