/* Text on the service display, 16 by 24 dots a sign. */
#include "display.h"
#include "part.h"
#include "tables.h"

void display_text(unsigned column, unsigned row, const char *text)
{
    for (; *text; text++, column++) {
        unsigned glyph = (unsigned char)*text - ' ';
        if (glyph >= GLYPH_COUNT)
            glyph = 0;
        for (unsigned line = 0; line < 24; line++) {
            DISPLAY_CURSOR = (row * 24 + line) << 16 | column * 16;
            DISPLAY_ROW = glyph_rows[glyph][line];
        }
    }
}

void display_number(unsigned column, unsigned row, int32_t value, unsigned digits, const char *unit)
{
    char text[24];
    unsigned at = 0;
    uint32_t rest = value < 0 ? 0u - (uint32_t)value : (uint32_t)value;
    if (digits > 10)
        digits = 10;
    text[at++] = value < 0 ? '-' : ' ';
    for (unsigned i = digits; i; i--, rest /= 10)
        text[at + i - 1] = (char)('0' + rest % 10);
    at += digits;
    while (*unit && at < sizeof text - 1)
        text[at++] = *unit++;
    text[at] = 0;
    display_text(column, row, text);
}
