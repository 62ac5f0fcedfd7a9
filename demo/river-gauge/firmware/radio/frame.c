#include "frame.h"
#include "coding.h"
#include "crc.h"
#include "radio_calls.h"

#if VERSION_MINOR >= 2
#define CRC_START 0x1D0F /* 3.2.0: a frame of zeros no longer has a matching code after a lost preamble */
#else
#define CRC_START 0xFFFF
#endif

/* Fill `symbols`; the number of them, or RADIO_TOO_LONG. */
int frame_encode(uint8_t network, uint8_t sequence, const uint8_t *payload, unsigned size, uint16_t *symbols)
{
    uint8_t raw[FRAME_PAYLOAD + FRAME_OVERHEAD], words[FRAME_BITS];
    if (size > FRAME_PAYLOAD)
        return RADIO_TOO_LONG;
    raw[0] = network;
    raw[1] = sequence;
    raw[2] = (uint8_t)size;
    for (unsigned i = 0; i < size; i++)
        raw[3 + i] = payload[i];
    uint16_t check = crc16(CRC_START, raw, 3 + size);
    raw[3 + size] = (uint8_t)(check >> 8);
    raw[4 + size] = (uint8_t)check;
    unsigned total = size + FRAME_OVERHEAD, nibbles = 2 * total, count = 0;
    whiten(raw + 3, total - 3, sequence);
    for (unsigned from = 0; from < nibbles; from += FRAME_BITS) {
        for (unsigned i = 0; i < FRAME_BITS; i++) {
            unsigned nibble = from + i;
            words[i] = nibble < nibbles ? hamming_encode(raw[nibble / 2] >> (nibble & 1 ? 4 : 0) & 15) : 0;
        }
        interleave(words, symbols + count, FRAME_BITS);
        count += 8;
    }
    return (int)count;
}

/* The payload's size, or RADIO_DAMAGED (code or CRC fails, other network, too big for `room`). */
int frame_decode(uint8_t network, const uint16_t *symbols, unsigned count, uint8_t *payload, unsigned room)
{
    uint8_t raw[FRAME_SYMBOLS / 2], words[FRAME_BITS];
    unsigned nibbles = 0;
    if (count % 8 || count > FRAME_SYMBOLS || count < 16)
        return RADIO_DAMAGED;
    for (unsigned from = 0; from < count; from += 8) {
        deinterleave(symbols + from, words, FRAME_BITS);
        for (unsigned i = 0; i < FRAME_BITS; i++, nibbles++) {
            bool corrected;
            int nibble = hamming_decode(words[i], &corrected);
            if (nibble < 0)
                return RADIO_DAMAGED;
            if (nibbles & 1)
                raw[nibbles / 2] |= (uint8_t)(nibble << 4);
            else
                raw[nibbles / 2] = (uint8_t)nibble;
        }
    }
    unsigned size = raw[2];
    if (raw[0] != network || size > FRAME_PAYLOAD || size > room || 2 * (size + FRAME_OVERHEAD) > nibbles)
        return RADIO_DAMAGED;
    whiten(raw + 3, size + 2, raw[1]);
    uint16_t check = crc16(CRC_START, raw, 3 + size);
    if (raw[3 + size] != check >> 8 || raw[4 + size] != (check & 0xFF))
        return RADIO_DAMAGED;
    for (unsigned i = 0; i < size; i++)
        payload[i] = raw[3 + i];
    return (int)size;
}
