/* The three memory functions that a freestanding compiler may call. */
#include <stddef.h>
#include <stdint.h>

void *memcpy(void *to, const void *from, size_t size)
{
    uint8_t *out = to;
    const uint8_t *in = from;
    while (size--)
        *out++ = *in++;
    return to;
}

void *memset(void *to, int value, size_t size)
{
    uint8_t *out = to;
    while (size--)
        *out++ = (uint8_t)value;
    return to;
}

int memcmp(const void *left, const void *right, size_t size)
{
    const uint8_t *a = left, *b = right;
    for (; size; size--, a++, b++)
        if (*a != *b)
            return *a - *b;
    return 0;
}
