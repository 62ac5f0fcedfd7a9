#include "coding.h"
#include "tables.h"

/* Exclusive-or with the sequence of a nine-stage shift register; doing it twice gives the data back. */
void whiten(uint8_t *data, unsigned size, unsigned offset)
{
    for (unsigned i = 0; i < size; i++)
        data[i] ^= whitening[(offset + i) % WHITENING_PERIOD];
}

/* Low four bits: data; high four: parity, so that any two words differ in at least four bits. */
uint8_t hamming_encode(uint8_t nibble)
{
    unsigned a = nibble & 1, b = nibble >> 1 & 1, c = nibble >> 2 & 1, d = nibble >> 3 & 1;
    return (uint8_t)((nibble & 15) | (a ^ b ^ c) << 4 | (b ^ c ^ d) << 5 | (a ^ b ^ d) << 6 | (a ^ c ^ d) << 7);
}

/* The nibble, one wrong bit corrected; -1 where two are wrong. */
int hamming_decode(uint8_t word, bool *corrected)
{
    uint8_t found = hamming_nearest[word];
    *corrected = found & 0x10;
    return found & 0x80 ? -1 : found & 15;
}

/* `bits` words of eight bits become eight symbols of `bits` bits, one bit of each word a symbol, shifted by one place
 * from symbol to symbol, so that a lost symbol costs each word one bit. */
void interleave(const uint8_t *words, uint16_t *symbols, unsigned bits)
{
    for (unsigned column = 0; column < 8; column++) {
        uint16_t symbol = 0;
        for (unsigned row = 0; row < bits; row++)
            symbol |= (uint16_t)((words[(row + column) % bits] >> column & 1u) << row);
        symbols[column] = (uint16_t)(symbol ^ symbol >> 1); /* neighbours differ in one bit (Gray) */
    }
}

void deinterleave(const uint16_t *symbols, uint8_t *words, unsigned bits)
{
    for (unsigned row = 0; row < bits; row++)
        words[row] = 0;
    for (unsigned column = 0; column < 8; column++) {
        uint16_t symbol = symbols[column];
        for (unsigned shift = 1; shift < 16; shift <<= 1)
            symbol ^= (uint16_t)(symbol >> shift);
        for (unsigned row = 0; row < bits; row++)
            words[(row + column) % bits] |= (uint8_t)((symbol >> row & 1u) << column);
    }
}
