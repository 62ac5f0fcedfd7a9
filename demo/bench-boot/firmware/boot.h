/* What the files of the boot stage share. */
#ifndef BOOT_H
#define BOOT_H
#include <stdint.h>

/* The answer of a check. Hardened: two words far from each other and from 0, 1 and all ones, and only GOOD is good. */
typedef uint32_t verdict;
#ifdef HARDENED
#define GOOD            0x3CA5965Au
#define BAD             0xC35A69A5u
#define IS_GOOD(answer) ((answer) == GOOD)
#else
#define GOOD            1u
#define BAD             0u
#define IS_GOOD(answer) ((answer) != BAD)
#endif

/* The steps of one image check leave a trace that is compared before anything is started. */
#ifdef HARDENED
extern volatile uint32_t flow;
#define FLOW_HEADER    0x0001A3C5u
#define FLOW_DIGEST    0x00B47E00u
#define FLOW_SIGNATURE 0x2D600000u
#define FLOW_CHECK     (FLOW_HEADER + FLOW_DIGEST + FLOW_SIGNATURE)
#define FLOW(step)     (flow += FLOW_##step)
#else
#define FLOW(step) ((void)0)
#endif

_Noreturn void panic(void);
_Noreturn void start_image(uint32_t entry, uint32_t proof); /* where the image's first instruction or its vectors are */
void debug_lock(void);
int main(void);

/* What start_image wants to see. Hardened: made of both verdicts and the trace of both checks. */
#ifdef HARDENED
#define PROOF (GOOD + 3u * GOOD + 2u * FLOW_CHECK)
#else
#define PROOF GOOD
#endif

#endif
