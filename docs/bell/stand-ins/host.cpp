// The board, on a PC. It is told on standard input what happens to it, a word a line:
//
//	touch, wifi-off, wifi-on, end
//
// and prints what the sketch writes to its serial line, and the display's rows between
// bars. BOARD_PICTURE is the file that the camera sees, BOARD_HURRY how many times as fast
// as the PC's the board's clock goes.
#include "Arduino.h"
#include "LiquidCrystal.h"
#include "WiFi.h"
#include "esp_camera.h"

#include <arpa/inet.h>
#include <fstream>
#include <iterator>
#include <poll.h>
#include <random>
#include <string>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>
#include <vector>

HostSerial Serial;
HostChip ESP;
HostWiFi WiFi;

static const char *const hurry = getenv("BOARD_HURRY");
static const double speed = hurry ? atof(hurry) : 1;
static bool wifi = false, ended = false;
static int touches = 0;

uint32_t millis() {
  timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  double ms = static_cast<double>(now.tv_sec) * 1e3 + static_cast<double>(now.tv_nsec) / 1e6;
  static const double began = ms;
  return static_cast<uint32_t>(static_cast<uint64_t>((ms - began) * speed));
}

void delay(uint32_t ms) { usleep(static_cast<useconds_t>(ms * 1000 / speed)); }

uint32_t esp_random() {
  static std::random_device device;
  return device();
}

// A touch is seen once, and then is over.
uint16_t touchRead(int) {
  if (touches == 0) return 60;
  touches--;
  return 20;
}

void HostWiFi::begin(const char *, const char *) { wifi = true; }
wl_status_t HostWiFi::status() { return wifi ? WL_CONNECTED : WL_DISCONNECTED; }

int WiFiClient::connect(const char *host, uint16_t port) {
  stop();
  sockaddr_in to = {};
  to.sin_family = AF_INET;
  to.sin_port = htons(port);
  if (!wifi || inet_pton(AF_INET, host, &to.sin_addr) != 1) return 0;
  socket_ = socket(AF_INET, SOCK_STREAM, 0);
  if (::connect(socket_, reinterpret_cast<sockaddr *>(&to), sizeof to) == 0) return 1;
  stop();
  return 0;
}

size_t WiFiClient::write(const uint8_t *bytes, size_t count) {
  size_t sent = 0;
  while (sent < count && wifi && socket_ >= 0) {
    ssize_t n = send(socket_, bytes + sent, count - sent, MSG_NOSIGNAL);
    if (n <= 0) break;
    sent += static_cast<size_t>(n);
  }
  return sent;
}

int WiFiClient::available() {
  int waiting = 0;
  if (socket_ >= 0 && wifi) ioctl(socket_, FIONREAD, &waiting);
  return waiting;
}

int WiFiClient::read() {
  uint8_t byte;
  return available() && recv(socket_, &byte, 1, 0) == 1 ? byte : -1;
}

uint8_t WiFiClient::connected() {
  if (socket_ < 0 || !wifi) return 0;
  char byte;
  return recv(socket_, &byte, 1, MSG_PEEK | MSG_DONTWAIT) != 0;
}

void WiFiClient::stop() {
  if (socket_ >= 0) close(socket_);
  socket_ = -1;
}

static std::vector<char> seen;
static camera_fb_t taken;

esp_err_t esp_camera_init(const camera_config_t *) {
  const char *path = getenv("BOARD_PICTURE");
  std::ifstream file(path ? path : "", std::ios::binary);
  seen.assign(std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>());
  return seen.empty() ? ESP_FAIL : ESP_OK;
}

camera_fb_t *esp_camera_fb_get() {
  if (seen.empty()) return nullptr;
  taken = {reinterpret_cast<uint8_t *>(seen.data()), seen.size()};
  return &taken;
}

void esp_camera_fb_return(camera_fb_t *) {}

static std::string rows[4], printed;
static size_t atColumn, atRow;

void LiquidCrystal::begin(uint8_t columns, uint8_t) {
  for (std::string &row : rows) row.assign(columns, ' ');
}

void LiquidCrystal::clear() {
  for (std::string &row : rows) row.assign(row.size(), ' ');
}

void LiquidCrystal::setCursor(uint8_t column, uint8_t row) { atColumn = column, atRow = row; }

void LiquidCrystal::print(const char *text) {
  for (; *text; text++) write(static_cast<uint8_t>(*text));
}

void LiquidCrystal::write(uint8_t code) {
  if (atRow < 4 && atColumn < rows[atRow].size()) rows[atRow][atColumn++] = static_cast<char>(code);
}

static void printDisplay() {
  std::string all;
  for (const std::string &row : rows) all += "|" + row;
  all += "|";
  if (all != printed) printf("%s\n", all.c_str());
  printed = all;
}

// Reads without waiting what happens to the board.
static void hear() {
  static std::string line;
  pollfd in = {STDIN_FILENO, POLLIN, 0};
  char c;
  while (!ended && poll(&in, 1, 0) == 1) {
    if (read(STDIN_FILENO, &c, 1) != 1) ended = true;
    else if (c != '\n') line += c;
    else {
      if (line == "touch") touches++;
      wifi = (wifi && line != "wifi-off") || line == "wifi-on";
      ended = line == "end";
      line.clear();
    }
  }
}

int main() {
  setvbuf(stdout, nullptr, _IOLBF, 0);
  millis();
  setup();
  while (!ended) {
    hear();
    loop();
    printDisplay();
  }
  return 0;
}
