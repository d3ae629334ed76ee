// Stands in for a board's header of this name, to build and run the sketch on a PC: only
// what the sketch uses. The names are the board's, from memory, and no board was here.
#pragma once

#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

uint32_t millis();
void delay(uint32_t ms);
uint16_t touchRead(int pin);
uint32_t esp_random();

struct HostSerial {
  void begin(unsigned) {}
  void println(const char *text) { puts(text); }
  void printf(const char *format, ...) __attribute__((format(printf, 2, 3))) {
    va_list values;
    va_start(values, format);
    vprintf(format, values);
    va_end(values);
  }
};
extern HostSerial Serial;

struct HostChip {
  uint32_t getFreeHeap() { return 123456; }
};
extern HostChip ESP;

void setup();
void loop();
