/* Where things lie in flash and RAM. The product file pins the same addresses; a test compares them. */
#ifndef LAYOUT_H
#define LAYOUT_H

#define SECTOR_SIZE          0x1000u
#define APPLICATION_RECORDS  0x00008000u
#define RADIO_RECORDS        0x00009000u
#define FLOOR_RECORDS        0x0000A000u
#define CALIBRATION_AREA     0x0000F000u
#define CALIBRATION_SIZE     0x00000800u
#define RECOVERY_START       0x00010000u
#define RECOVERY_SIZE        0x00004000u
#define APPLICATION_FIRST    0x00018000u
#define APPLICATION_SECOND   0x00048000u
#define APPLICATION_SIZE     0x00020000u
#define RADIO_FIRST          0x00038000u
#define RADIO_SECOND         0x00068000u
#define RADIO_SIZE           0x00010000u

#define HANDOVER             0x2000FFC0u /* 64 bytes between the application's and the radio's RAM */

#endif
