#ifndef DISPLAY_H
#define DISPLAY_H
#include <stdint.h>

void display_text(unsigned column, unsigned row, const char *text);
void display_number(unsigned column, unsigned row, int32_t value, unsigned digits, const char *unit);

#endif
