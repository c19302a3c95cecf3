// Small camera raw files made at test time, byte by byte: DNG (specification 1.6) with a Bayer
// mosaic whose scene is known.
#ifndef HC_TESTS_RAW_FILES_H
#define HC_TESTS_RAW_FILES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct raw_file {
    int w, h;
    int says_w, says_h;       // what the header says, 0 = the truth
    int black, white;         // levels
    int orientation;          // 0 = 1
    const char *make, *model; // NULL = an invented camera
    int matrices;             // 0..2
    double xyz_to_cam[2][9];
    int illuminant[2];                 // EXIF LightSource codes
    double balance[3], calibration[3]; // AnalogBalance, diagonal of CameraCalibration; 0 = not said
    double neutral[3];                 // 0 in the first: not said
    double baseline_ev;                // a brightening the maker suggests; 0 = none
    bool is_dng;                       // the DNGVersion tag
};
// 0..1 of the range from black to white, before any balance, of channel b (0 R, 1 G, 2 B).
typedef double (*raw_scene)(int x, int y, int b);
// RGGB. With EXIF: 1/60 s, f/8, ISO 100, 80 mm, 2024:05:17 10:32:00, "Test lens 80 mm". Fails the
// test on error.
// An EXIF block by itself with the same facts: camera "Testworks One". Bytes written, at most 600.
size_t raw_exif_block(uint8_t out[600]);
void raw_write(const char *path, const struct raw_file *spec, raw_scene scene);

#endif
