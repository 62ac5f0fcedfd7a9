/* Channel coding of the radio: whitening, Hamming (8,4), diagonal interleaving. */
#ifndef CODING_H
#define CODING_H
#include <stdbool.h>
#include <stdint.h>

void whiten(uint8_t *data, unsigned size, unsigned offset);
uint8_t hamming_encode(uint8_t nibble);
int hamming_decode(uint8_t word, bool *corrected);
void interleave(const uint8_t *words, uint16_t *symbols, unsigned bits);
void deinterleave(const uint16_t *symbols, uint8_t *words, unsigned bits);

#endif
