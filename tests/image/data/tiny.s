@ Source of the tiny.* files; see ORIGIN.md.
        .syntax unified
        .thumb
        .section .isr_vector, "a"
        .word   0x20001000
        .word   start + 1
        .word   start + 1
        .text
        .global start
        .type   start, %function
start:  ldr     r0, =counter
        ldr     r1, [r0]
        adds    r1, #1
        str     r1, [r0]
        b       start
        .size   start, . - start
        .data
        .global counter
        .type   counter, %object
counter: .word  41
        .size   counter, 4
        .section .far, "a"
        .ascii  "far away"
        .bss
        .global room
        .type   room, %object
room:   .space  256
        .size   room, 256
