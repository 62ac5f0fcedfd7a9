#include "image.h"
#include "../../river-gauge/firmware/common/sha256.h"
#include "flash.h"
#include "part.h"

/* SHA-256 of flash; fails where a word cannot be read. */
__attribute__((weak, noinline)) uint32_t digest_flash(uint32_t address, uint32_t length, uint8_t digest[32])
{
    struct sha256 hash;
    uint32_t piece[64];
    sha256_begin(&hash);
    for (uint32_t at = 0; at < length; at += sizeof piece) {
        uint32_t size = length - at < sizeof piece ? length - at : sizeof piece;
        if (flash_read(address + at, piece, size))
            return 1;
        sha256_add(&hash, (const uint8_t *)piece, size);
    }
    sha256_end(&hash, digest);
    return 0;
}

__attribute__((weak, noinline)) uint32_t digest_memory(const uint8_t *data, uint32_t length, uint8_t digest[32])
{
    sha256_of(data, length, digest);
    return 0;
}

static void sign_words(uint32_t at, const uint8_t *data, uint32_t words)
{
    for (uint32_t i = 0; i < words; i++, data += 4)
        SIGN_DATA(at + i) = (uint32_t)data[0] | (uint32_t)data[1] << 8 | (uint32_t)data[2] << 16 | (uint32_t)data[3] << 24;
}

/* ECDSA P-256 by the part's signature unit. */
__attribute__((weak, noinline)) uint32_t verify_signature(const uint8_t digest[32], const uint8_t signature[64], const uint8_t key[64])
{
    sign_words(0, key, 16);
    sign_words(16, digest, 8);
    sign_words(24, signature, 16);
    SIGN_START = 1;
    while (SIGN_BUSY) {
    }
    return SIGN_RESULT != SIGN_GOOD;
}

#ifdef FLAW_EARLY_OUT
/* flaw: leaves at the first difference; how long it takes says how much was right */
__attribute__((noinline)) verdict digests_agree(const uint8_t *left, const uint8_t *right)
{
    for (uint32_t i = 0; i < 32; i++)
        if (left[i] != right[i])
            return BAD;
    return GOOD;
}
#else
/* Always looks at all 32 bytes. */
__attribute__((noinline)) verdict digests_agree(const uint8_t *left, const uint8_t *right)
{
    volatile uint32_t difference = 0;
    uint32_t i = 0;
    for (; i < 32; i++)
        difference |= (uint32_t)left[i] ^ right[i];
#ifdef HARDENED
    /* GOOD comes out of the difference itself; there is no branch to skip. A loop left early gives neither word. */
    uint32_t spread = (uint32_t)0 - ((difference | (0u - difference)) >> 31); /* 0, or all ones */
    return (GOOD ^ ((GOOD ^ BAD) & spread)) ^ (i ^ 32u);
#else
    return difference == 0 ? GOOD : BAD;
#endif
}
#endif

static verdict header_is_sane(const struct header *header, uint32_t link, uint32_t room)
{
    if (header->magic != IMAGE_MARK || header->link != link)
        return BAD;
    if (header->size != HEADER_SIZE || header->flags != 0 || header->reserved != 0)
        return BAD;
    if (header->length == 0 || header->length % 4 != 0)
        return BAD;
#if defined(FLAW_LENGTH_WRAPS)
    if (header->length + HEADER_SIZE > room) /* flaw: the sum of a huge length and the header is small */
        return BAD;
#elif !defined(FLAW_LENGTH_UNCHECKED)
    if (header->length > room - HEADER_SIZE)
        return BAD;
#endif
    if (header->entry % 4 != 0 || header->entry < HEADER_SIZE || header->entry - HEADER_SIZE >= header->length)
        return BAD;
    return GOOD;
}

#ifdef FLAW_LENGTH_UNCHECKED
/* flaw: a staged payload goes through a buffer on the stack, large enough if the header, unchecked so far, is honest */
static __attribute__((noinline)) uint32_t digest_payload(uint32_t address, uint32_t length, uint8_t digest[32])
{
    uint32_t payload[0x1200 / 4];
    if (address != STAGE + HEADER_SIZE)
        return digest_flash(address, length, digest);
    if (flash_read(address, payload, length))
        return 1;
    return digest_memory((const uint8_t *)payload, length, digest);
}
#else
#define digest_payload digest_flash
#endif

#ifdef FLAW_RESULT_UNSET
#pragma clang diagnostic ignored "-Wuninitialized"
#define FIRST_RESULT /* flaw: whatever lies on the stack */
#else
#define FIRST_RESULT = BAD
#endif

/* Check the image at `slot`, which must be linked for `link`, fit into `room` bytes and not be below `floor`.
 * Everything is read again from flash. */
__attribute__((noinline)) verdict image_check(uint32_t slot, uint32_t link, uint32_t room, uint32_t floor, struct approved *approved)
{
    struct header header;
    uint8_t digest[32];
    volatile verdict result FIRST_RESULT;
    if (flash_read(slot, (uint32_t *)&header, sizeof header))
        return BAD;
    *approved = (struct approved){header.version, header.entry};
    if (IS_GOOD(header_is_sane(&header, link, room))) {
        FLOW(HEADER);
        if (digest_payload(slot + HEADER_SIZE, header.length, digest))
            return BAD;
        if (!IS_GOOD(digests_agree(digest, header.digest)))
            return BAD;
        FLOW(DIGEST);
        if (digest_memory((const uint8_t *)&header, SIGNED_SIZE, digest))
            return BAD;
        if (verify_signature(digest, header.signature, public_key))
            return BAD;
        FLOW(SIGNATURE);
        result = header.version >= floor ? GOOD : BAD;
    }
    return result;
}
