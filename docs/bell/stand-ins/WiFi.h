// Stands in for a board's Wi-Fi: a switch, and the PC's own sockets. See Arduino.h.
#pragma once

#include <stddef.h>
#include <stdint.h>

enum wl_status_t { WL_CONNECTED = 3, WL_DISCONNECTED = 6 };

struct HostWiFi {
  void begin(const char *name, const char *word);
  void setAutoReconnect(bool) {}
  wl_status_t status();
  int RSSI() { return -61; }
};
extern HostWiFi WiFi;

class WiFiClient {
 public:
  WiFiClient() = default;
  WiFiClient(const WiFiClient &) = delete;
  WiFiClient &operator=(const WiFiClient &) = delete;
  ~WiFiClient() { stop(); }
  int connect(const char *host, uint16_t port);
  size_t write(const uint8_t *bytes, size_t count);
  int available();  // bytes that came
  int read();       // one of them, or -1
  uint8_t connected();
  void stop();

 private:
  int socket_ = -1;
};
