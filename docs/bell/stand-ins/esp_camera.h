// Stands in for a board's camera: it takes the picture of a file. See Arduino.h.
#pragma once

#include <stddef.h>
#include <stdint.h>

typedef int esp_err_t;
enum { ESP_OK = 0, ESP_FAIL = -1 };
enum pixformat_t { PIXFORMAT_RGB565, PIXFORMAT_JPEG };
enum framesize_t { FRAMESIZE_VGA, FRAMESIZE_XGA };

struct camera_config_t {
  pixformat_t pixel_format;
  framesize_t frame_size;
  int jpeg_quality;
  size_t fb_count;
};

struct camera_fb_t {
  uint8_t *buf;
  size_t len;
};

esp_err_t esp_camera_init(const camera_config_t *config);
camera_fb_t *esp_camera_fb_get();
void esp_camera_fb_return(camera_fb_t *picture);
