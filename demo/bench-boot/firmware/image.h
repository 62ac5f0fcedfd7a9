/* The image form of this demo: 128 bytes of header, then the payload that runs where it lies.
 *
 *   offset  size  field
 *        0     4  magic      "RL2B"
 *        4     4  size       of this header: 128
 *        8     4  version    a number that only grows
 *       12     4  length     of the payload in bytes, a multiple of 4
 *       16     4  link       address of the header where the image runs
 *       20     4  entry      offset of the first instruction from the header; on Armv7-M of the vector table
 *       24     4  flags      0
 *       28     4  reserved   0
 *       32    32  digest     SHA-256 of the payload
 *       64    64  signature  ECDSA P-256 over SHA-256 of bytes 0 to 63; r then s, big-endian
 *
 * All words are little-endian. What is behind the payload is not covered, and is never run by a sound payload. */
#ifndef IMAGE_H
#define IMAGE_H
#include "boot.h"

struct header {
    uint32_t magic, size, version, length, link, entry, flags, reserved;
    uint8_t digest[32];
    uint8_t signature[64];
};

#define IMAGE_MARK 0x42324C52u
#define HEADER_SIZE 128u
#define SIGNED_SIZE 64u
#define ANY_VERSION 0u

/* What a header says, for use after the image was found good. */
struct approved {
    uint32_t version, entry;
};

verdict image_check(uint32_t slot, uint32_t link, uint32_t room, uint32_t floor, struct approved *approved);

/* Hooks of a bench: weak and never inlined. Both answer 0 for success. */
uint32_t digest_flash(uint32_t address, uint32_t length, uint8_t digest[32]);
uint32_t digest_memory(const uint8_t *data, uint32_t length, uint8_t digest[32]);
uint32_t verify_signature(const uint8_t digest[32], const uint8_t signature[64], const uint8_t key[64]);

extern const uint8_t public_key[64];

#endif
