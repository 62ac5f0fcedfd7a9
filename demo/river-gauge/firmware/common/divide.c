/* 64-bit division, rounded to nearest, halves away from zero. The part has none, and no library is linked. */
#include "divide.h"

int64_t divide(int64_t above, int64_t below)
{
    uint64_t rest = above < 0 ? 0 - (uint64_t)above : (uint64_t)above;
    uint64_t by = below < 0 ? 0 - (uint64_t)below : (uint64_t)below, result = 0;
    if (!by)
        return 0;
    unsigned shift = 0;
    while (shift < 63 && !(by >> 63) && by << 1 <= rest) {
        by <<= 1;
        shift++;
    }
    for (;; by >>= 1) {
        result <<= 1;
        if (rest >= by) {
            rest -= by;
            result |= 1;
        }
        if (!shift--)
            break;
    }
    if (rest >= by - rest)
        result++;
    return (above < 0) != (below < 0) ? -(int64_t)result : (int64_t)result;
}
