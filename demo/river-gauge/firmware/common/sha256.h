/* SHA-256 (FIPS 180-4, section 6.2). */
#ifndef SHA256_H
#define SHA256_H
#include <stddef.h>
#include <stdint.h>

struct sha256 {
    uint32_t state[8];
    uint64_t length; /* bytes so far */
    uint8_t block[64];
};

void sha256_begin(struct sha256 *hash);
void sha256_add(struct sha256 *hash, const uint8_t *data, size_t size);
void sha256_end(struct sha256 *hash, uint8_t digest[32]);
void sha256_of(const uint8_t *data, size_t size, uint8_t digest[32]);

#endif
