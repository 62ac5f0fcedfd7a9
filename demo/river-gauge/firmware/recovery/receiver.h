/* The serial line's frames: 0xA7, kind, size (2), offset (4), up to 256 bytes, CRC-16; little-endian numbers. */
#ifndef RECEIVER_H
#define RECEIVER_H
#include <stdint.h>

#define RECEIVER_MOST 256

enum frame_kind { FRAME_BEGIN = 1, FRAME_DATA = 2, FRAME_END = 3, FRAME_RUN = 4 };
enum receiver_event { RECEIVER_MORE, RECEIVER_FRAME, RECEIVER_DAMAGED };

struct receiver {
    uint8_t raw[8 + RECEIVER_MOST + 2];
    unsigned have;
    uint8_t kind;
    uint16_t size;
    uint32_t offset;
    const uint8_t *data;
};

void receiver_begin(struct receiver *receiver);
enum receiver_event receiver_take(struct receiver *receiver, uint8_t byte);

#endif
