// Stands in for a display's driver: it prints what is shown when that changed. See Arduino.h.
#pragma once

#include <stdint.h>

class LiquidCrystal {
 public:
  LiquidCrystal(int, int, int, int, int, int) {}
  void begin(uint8_t columns, uint8_t rows);
  void clear();
  void setCursor(uint8_t column, uint8_t row);
  void print(const char *text);
  void write(uint8_t code);
};
