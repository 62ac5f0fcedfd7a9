#include "sha256.h"

/* First 32 bits of the fractional parts of the cube roots of the first 64 primes (FIPS 180-4, 4.2.2). */
static const uint32_t ROUND[64] = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2,
};

static uint32_t right(uint32_t word, unsigned by)
{
    return word >> by | word << (32 - by);
}

static void compress(uint32_t state[8], const uint8_t *block)
{
    uint32_t window[16], v[8];
    for (unsigned i = 0; i < 8; i++)
        v[i] = state[i];
    for (unsigned t = 0; t < 64; t++) {
        uint32_t word;
        if (t < 16) {
            const uint8_t *at = block + 4 * t;
            word = (uint32_t)at[0] << 24 | (uint32_t)at[1] << 16 | (uint32_t)at[2] << 8 | at[3];
        } else {
            uint32_t near = window[(t - 2) & 15], far = window[(t - 15) & 15];
            word = (right(near, 17) ^ right(near, 19) ^ near >> 10) + window[(t - 7) & 15]
                 + (right(far, 7) ^ right(far, 18) ^ far >> 3) + window[t & 15];
        }
        window[t & 15] = word;
        uint32_t e = v[4], a = v[0];
        uint32_t one = v[7] + (right(e, 6) ^ right(e, 11) ^ right(e, 25)) + ((e & v[5]) ^ (~e & v[6])) + ROUND[t] + word;
        uint32_t two = (right(a, 2) ^ right(a, 13) ^ right(a, 22)) + ((a & v[1]) ^ (a & v[2]) ^ (v[1] & v[2]));
        for (unsigned i = 7; i; i--)
            v[i] = v[i - 1];
        v[4] += one;
        v[0] = one + two;
    }
    for (unsigned i = 0; i < 8; i++)
        state[i] += v[i];
}

void sha256_begin(struct sha256 *hash)
{
    /* Fractional parts of the square roots of the first eight primes (FIPS 180-4, 5.3.3). */
    static const uint32_t START[8] = {
        0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19,
    };
    for (unsigned i = 0; i < 8; i++)
        hash->state[i] = START[i];
    hash->length = 0;
}

void sha256_add(struct sha256 *hash, const uint8_t *data, size_t size)
{
    unsigned filled = (unsigned)hash->length & 63;
    hash->length += size;
    for (; size; size--) {
        hash->block[filled++] = *data++;
        if (filled == 64) {
            compress(hash->state, hash->block);
            filled = 0;
        }
    }
}

void sha256_end(struct sha256 *hash, uint8_t digest[32])
{
    uint64_t bits = hash->length * 8;
    uint8_t pad = 0x80;
    do {
        sha256_add(hash, &pad, 1);
        pad = 0;
    } while ((hash->length & 63) != 56);
    for (int shift = 56; shift >= 0; shift -= 8) {
        uint8_t byte = (uint8_t)(bits >> shift);
        sha256_add(hash, &byte, 1);
    }
    for (unsigned i = 0; i < 32; i++)
        digest[i] = (uint8_t)(hash->state[i / 4] >> (24 - 8 * (i & 3)));
}

void sha256_of(const uint8_t *data, size_t size, uint8_t digest[32])
{
    struct sha256 hash;
    sha256_begin(&hash);
    sha256_add(&hash, data, size);
    sha256_end(&hash, digest);
}
