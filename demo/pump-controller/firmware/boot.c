/* PC-2 boot stage: reads a fixed header of 256 bytes in front of the application, and starts what its checksum covers.
   It stands for a boot stage that somebody has. To stay small it checks the checksum and not the signature; the reader in
   demo/own-format, where the header is made, checks both. */
#include <stdint.h>

extern const uint8_t application_slot_start[];

__attribute__((used, section(".version"))) const char boot_version[] = "PC-2 boot 2.1.0";

static uint32_t crc32(const uint8_t *data, uint32_t size)
{
    uint32_t crc = 0xFFFFFFFFu;
    while (size--) {
        crc ^= *data++;
        for (int bit = 0; bit < 8; bit++)
            crc = crc >> 1 ^ (crc & 1 ? 0xEDB88320u : 0);
    }
    return ~crc;
}

static uint32_t word(const uint8_t *at)
{
    return at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

void run(void)
{
    const uint8_t *head = application_slot_start;
    if (word(head) != 0x31324350u || word(head + 12) > 0x18000u - 256u)
        return;
    const uint8_t *code = head + 256;
    if (crc32(code, word(head + 12)) != word(head + 16))
        return;
    void (*start)(void) = (void (*)(void))(uintptr_t)word(code + 4);
    start();
}
