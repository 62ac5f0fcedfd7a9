#!/bin/sh
# Makes the tiny.* files with GNU binutils for bare-metal Arm and for this computer; see ORIGIN.md.
set -eu
cd "$(dirname "$0")"
arm=arm-none-eabi
$arm-as -mcpu=cortex-m3 tiny.s -o tiny.o
$arm-ld -T tiny.ld -e start tiny.o -o tiny-gnu.elf
$arm-objcopy -O ihex tiny-gnu.elf tiny-gnu.hex
$arm-objcopy -O srec tiny-gnu.elf tiny-gnu.srec
$arm-objcopy -O binary --gap-fill 0xff tiny-gnu.elf tiny-gnu.bin
$arm-objcopy -O ihex --change-addresses 0x12345678 tiny-gnu.elf tiny-high.hex
$arm-objcopy -O srec --change-addresses 0x00120000 --srec-len 32 tiny-gnu.elf tiny-s2.srec
printf '.word 1\n' | $arm-as -mbig-endian - -o big.o
$arm-ld -EB -Ttext 0x100 -e 0x100 big.o -o tiny-big.elf
printf '.syntax unified\n.thumb\n.global start\n.type start, %%function\nstart: b start\n' | $arm-as -mcpu=cortex-m3 - -o low.o
$arm-ld -z max-page-size=0x1000 -Ttext 0x8100 -e start low.o -o tiny-headers.elf
$arm-ld -z max-page-size=0x1000 -z separate-code -Ttext 0x8000 -e start low.o -o tiny-apart.elf
printf 'void start(void){for(;;);}\nunsigned char room[64]; unsigned word = 7;\n' > rv.c
python3 -m ziglang cc -target riscv32-freestanding-none -mcpu=generic_rv32+m+c -nostdlib -ffreestanding -Os -fno-sanitize=all \
    -ffile-prefix-map="$PWD"=. -g -Wl,-z,max-page-size=4 -Wl,-e,start -T tiny.ld rv.c -o tiny-riscv.elf
printf '.long 1\n' | as --32 - -o pc.o
ld -m elf_i386 -Ttext 0x1000 -e 0x1000 pc.o -o tiny-x86.elf
$arm-strip --strip-all -o tiny-stripped.elf tiny-gnu.elf
mv tiny.o tiny-object.elf
rm -f big.o pc.o low.o rv.c
chmod 644 tiny*
