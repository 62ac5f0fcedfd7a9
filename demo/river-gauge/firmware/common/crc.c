#include "crc.h"

uint16_t crc16(uint16_t start, const uint8_t *data, size_t size)
{
    unsigned crc = start;
    for (; size; size--) {
        /* One byte at a time without a table: the polynomial's taps as shifts. */
        unsigned x = (crc >> 8 ^ *data++) & 0xFF;
        x ^= x >> 4;
        crc = (crc << 8 ^ x << 12 ^ x << 5 ^ x) & 0xFFFF;
    }
    return (uint16_t)crc;
}

uint32_t crc32(const uint8_t *data, size_t size)
{
    uint32_t crc = 0xFFFFFFFFu;
    for (; size; size--) {
        crc ^= *data++;
        for (unsigned bit = 0; bit < 8; bit++)
            crc = crc >> 1 ^ (0xEDB88320u & (0u - (crc & 1)));
    }
    return ~crc;
}
