/* The device structure of the QD-256's flash algorithm, in the layout of the open pack format, and functions that do
   nothing: no programmer will ever run this. Maker and part are invented. */
#include <stdint.h>

struct sectors {
    uint32_t size;
    uint32_t start;
};

struct flash_device {
    uint16_t version;
    char name[128];
    uint16_t type;
    uint32_t address;
    uint32_t size;
    uint32_t page;
    uint32_t reserved;
    uint8_t empty;
    uint32_t program_ms;
    uint32_t erase_ms;
    struct sectors sectors[512];
};

__attribute__((section("DevDscr"), used)) const struct flash_device FlashDevice = {
    0x0101, "QD 256 KiB flash", 1, 0x00400000, 0x40000, 256, 0, 0xFF, 100, 500,
    {{0x800, 0}, {0xFFFFFFFF, 0xFFFFFFFF}},
};

__attribute__((section("PrgCode"), used)) int Init(unsigned long address, unsigned long clock, unsigned long why)
{
    (void)address;
    (void)clock;
    (void)why;
    return 0;
}
