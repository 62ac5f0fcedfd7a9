#ifndef DIVIDE_H
#define DIVIDE_H
#include <stdint.h>

int64_t divide(int64_t above, int64_t below);

#endif
