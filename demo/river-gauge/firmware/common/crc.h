/* CRC-16 (polynomial 0x1021, start 0xFFFF, not reflected) and CRC-32 (0x04C11DB7, reflected, inverted). */
#ifndef CRC_H
#define CRC_H
#include <stddef.h>
#include <stdint.h>

uint16_t crc16(uint16_t start, const uint8_t *data, size_t size);
uint32_t crc32(const uint8_t *data, size_t size);

#endif
