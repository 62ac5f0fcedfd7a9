/* Frames: a header, the payload, a CRC-16; whitened, coded, interleaved into symbols. */
#ifndef FRAME_H
#define FRAME_H
#include <stdint.h>

#define FRAME_BITS     8 /* bits a symbol */
#define FRAME_PAYLOAD  64
#define FRAME_OVERHEAD 5 /* network, sequence, size, CRC-16 */
#define FRAME_SYMBOLS  (((FRAME_PAYLOAD + FRAME_OVERHEAD) * 2 + FRAME_BITS - 1) / FRAME_BITS * 8)

int frame_encode(uint8_t network, uint8_t sequence, const uint8_t *payload, unsigned size, uint16_t *symbols);
int frame_decode(uint8_t network, const uint16_t *symbols, unsigned count, uint8_t *payload, unsigned room);

#endif
