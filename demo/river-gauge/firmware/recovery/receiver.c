#include "receiver.h"
#include "crc.h"

void receiver_begin(struct receiver *receiver)
{
    receiver->have = 0;
}

/* Take one byte. A frame is whole and checked when RECEIVER_FRAME comes back; it stays valid until the next byte. */
enum receiver_event receiver_take(struct receiver *receiver, uint8_t byte)
{
    uint8_t *raw = receiver->raw;
    if (receiver->have == 0 && byte != 0xA7)
        return RECEIVER_MORE;
    raw[receiver->have++] = byte;
    if (receiver->have < 8)
        return RECEIVER_MORE;
    unsigned size = raw[2] | (unsigned)raw[3] << 8;
    if (size > RECEIVER_MOST) {
        receiver->have = 0;
        return RECEIVER_DAMAGED;
    }
    if (receiver->have < 8 + size + 2)
        return RECEIVER_MORE;
    receiver->have = 0;
    uint16_t check = crc16(0xFFFF, raw, 8 + size);
    if (raw[8 + size] != check >> 8 || raw[9 + size] != (check & 0xFF))
        return RECEIVER_DAMAGED;
    receiver->kind = raw[1];
    receiver->size = (uint16_t)size;
    receiver->offset = raw[4] | (uint32_t)raw[5] << 8 | (uint32_t)raw[6] << 16 | (uint32_t)raw[7] << 24;
    receiver->data = raw + 8;
    return RECEIVER_FRAME;
}
