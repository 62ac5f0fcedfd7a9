#ifndef MODEM_H
#define MODEM_H
#include <stdint.h>

void modem_send(const uint16_t *symbols, unsigned count, unsigned channel);
int modem_receive(uint16_t *symbols, unsigned room);

#endif
