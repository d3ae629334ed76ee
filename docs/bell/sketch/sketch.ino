// A bell for a microcontroller with Wi-Fi, a camera, a touch sensor and a display of
// 4 lines of 20 characters. README.md beside this folder says what it sends and why.
//
// The bell runs from a low voltage of its own. It opens nothing. Never wire it to a
// lock, to mains, or to a transformer whose wiring you do not know.

#include <Arduino.h>
#include <LiquidCrystal.h>
#include <WiFi.h>
#include <esp_camera.h>

#include <deque>
#include <string>
#include <time.h>

#include "settings.h"

static const int TOUCH_PIN = 4;
static const int TOUCHED_BELOW = 40;  // the sensor's number falls when it is touched
static const unsigned FRAMES = 3;
static const uint32_t FRAMES_APART = 333;  // ms
static const size_t MOST_STILLS = 12;      // that wait to be sent: four rings
static const uint32_t FIRST_WAIT = 1000, LONGEST_WAIT = 60000;  // ms
static const uint32_t ANSWER_TIME = 20000;                      // ms
static const int LONGEST_ASK = 50;                              // s
static const int ROWS = 4, COLUMNS = 20;

static LiquidCrystal lcd(12, 13, 14, 15, 16, 17);

// Says on the display what the bell itself has to say.
static void say(const char *text) {
  lcd.clear();
  lcd.setCursor(0, 1);
  lcd.print(text);
}

// ---- When to send again -------------------------------------------------------

// Backoff waits twice as long each time, and each time a random part of that, so that
// the bells of a house do not come all at once when the server is back.
struct Backoff {
  unsigned tries = 0;
  uint32_t since = 0, wait = 0;

  bool due() const { return millis() - since >= wait; }  // also when millis() begins anew
  void again(uint32_t asked) {
    uint32_t ceiling = FIRST_WAIT << (tries < 6 ? tries : 6);
    if (ceiling > LONGEST_WAIT) ceiling = LONGEST_WAIT;
    tries++;
    uint32_t part = esp_random() % ceiling;
    after(part > asked ? part : asked);
  }
  void after(uint32_t ms) { since = millis(), wait = ms; }
  void well() { tries = 0, wait = 0; }
};

static bool stopped = false;  // no request of this bell is of use any more

// ---- The time, which every answer brings --------------------------------------

static int64_t clockSeconds = 0;  // since 1970, of the last answer; 0 while nobody told
static uint32_t clockAt = 0;      // millis() then

// Days from 1970 to a date: years begin in March here, so that leap days are their last.
static int64_t days(int year, int month, int day) {
  year -= month <= 2;
  int64_t era = year / 400, inEra = year % 400;
  int64_t inYear = (153 * (month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;
  return era * 146097 + inEra * 365 + inEra / 4 - inEra / 100 + inYear - 719468;
}

// Reads "Mon, 30 Nov 2026 18:04:05 GMT" (Date) or "2026-11-30T18:04:05…Z" (until);
// 0 if it is neither.
static int64_t readTime(const std::string &text) {
  int year, month, day, hour, minute, second;
  char name[4] = "";
  if (sscanf(text.c_str(), "%*3s, %d %3s %d %d:%d:%d", &day, name, &year, &hour, &minute, &second) == 6) {
    const char *const names = "JanFebMarAprMayJunJulAugSepOctNovDec";
    const char *found = strstr(names, name);
    if (!found) return 0;
    month = static_cast<int>(found - names) / 3 + 1;
  } else if (sscanf(text.c_str(), "%d-%d-%dT%d:%d:%d", &year, &month, &day, &hour, &minute, &second) != 6) {
    return 0;
  }
  return days(year, month, day) * 86400 + hour * 3600 + minute * 60 + second;
}

// The time as RFC 3339 has it, so many ms ago; "" while nobody told the time.
static std::string timeAgo(uint32_t ms) {
  if (!clockSeconds) return "";
  int64_t now = clockSeconds * 1000 + (millis() - clockAt) - ms;
  time_t seconds = static_cast<time_t>(now / 1000);
  struct tm parts;
  gmtime_r(&seconds, &parts);
  char date[24], all[32];
  strftime(date, sizeof date, "%Y-%m-%dT%H:%M:%S", &parts);
  snprintf(all, sizeof all, "%s.%03dZ", date, static_cast<int>(now % 1000));
  return all;
}

// ---- Asking the server --------------------------------------------------------

struct Answer {
  int status = 0;  // 0: there was none
  uint32_t retryAfter = 0;  // ms
  std::string etag, body;
};

// Begins a request. HTTP/1.0, so that the answer ends with the connection.
static bool ask(WiFiClient &client, const char *method, const std::string &path, const std::string &headers,
                const std::string &body) {
  if (WiFi.status() != WL_CONNECTED || !client.connect(SERVER, PORT)) return false;
  std::string head = std::string(method) + " /api/v1/bells/" + BELL + path + " HTTP/1.0\r\nHost: " + SERVER +
                     "\r\nAuthorization: Bearer " + SECRET + "\r\nContent-Length: " + std::to_string(body.size()) +
                     "\r\n" + headers + "\r\n";
  return client.write(reinterpret_cast<const uint8_t *>(head.data()), head.size()) == head.size() &&
         client.write(reinterpret_cast<const uint8_t *>(body.data()), body.size()) == body.size();
}

// The value of a header: names are the same in capitals and small letters (RFC 9110, section 5.1).
static std::string header(const std::string &head, const char *name) {
  size_t length = strlen(name);
  for (size_t at = head.find("\r\n"); at != std::string::npos; at = head.find("\r\n", at + 2))
    if (!strncasecmp(head.c_str() + at + 2, name, length) && head[at + 2 + length] == ':') {
      size_t from = head.find_first_not_of(' ', at + 3 + length);
      return head.substr(from, head.find("\r\n", from) - from);
    }
  return "";
}

// Reads what came until the server ended the connection, or nothing did in time.
static Answer read(WiFiClient &client) {
  Answer answer;
  std::string all;
  uint32_t began = millis();
  while ((client.connected() || client.available()) && millis() - began < ANSWER_TIME && all.size() < 8192) {
    int c = client.available() ? client.read() : -1;
    if (c < 0) delay(1);
    else all += static_cast<char>(c);
  }
  client.stop();
  size_t end = all.find("\r\n\r\n");
  if (end == std::string::npos || sscanf(all.c_str(), "HTTP/%*s %d", &answer.status) != 1) return Answer();
  std::string head = all.substr(0, end + 2);
  answer.body = all.substr(end + 4);
  answer.etag = header(head, "ETag");
  answer.retryAfter = static_cast<uint32_t>(atol(header(head, "Retry-After").c_str())) * 1000;
  if (int64_t told = readTime(header(head, "Date"))) clockSeconds = told, clockAt = millis();
  return answer;
}

static Answer exchange(const char *method, const std::string &path, const std::string &headers,
                       const std::string &body) {
  WiFiClient client;
  if (!ask(client, method, path, headers, body)) return Answer();
  return read(client);
}

enum Verdict { TAKEN, AGAIN, PASS, STOP };

// The table of README.md.
static Verdict judge(const Answer &a) {
  if (a.status / 100 == 2 || a.status == 304) return TAKEN;
  if (a.status == 401 || (a.status == 404 && a.body.find("/problems/unknown-bell\"") != std::string::npos)) {
    stopped = true;
    say(a.status == 401 ? "Wrong secret" : "Wrong address");
    Serial.println("the server does not know this bell: look at settings.h");
    return STOP;
  }
  if (a.status == 0 || a.status == 408 || a.status == 429 || a.status >= 500 ||
      a.body.find("/problems/cut-short\"") != std::string::npos)
    return AGAIN;
  return PASS;
}

// ---- Ringing ------------------------------------------------------------------

struct Still {
  std::string ring;
  unsigned frame;
  uint32_t takenAt;  // millis()
  std::string picture;
};

static std::deque<Still> unsent;
static Backoff ringBackoff;

static void ring() {
  char id[17];
  snprintf(id, sizeof id, "%08x%08x", static_cast<unsigned>(esp_random()), static_cast<unsigned>(esp_random()));
  say("One moment");
  for (unsigned n = 0; n < FRAMES; n++) {
    if (n) delay(FRAMES_APART);
    camera_fb_t *picture = esp_camera_fb_get();
    if (!picture) continue;
    if (unsent.size() == MOST_STILLS) unsent.pop_front();  // the oldest is worth least
    unsent.push_back({id, n, millis(), std::string(reinterpret_cast<char *>(picture->buf), picture->len)});
    esp_camera_fb_return(picture);
  }
  ringBackoff.well();  // whoever stands there now does not wait for an old ring's turn
}

// Sends the oldest still. It is let go when the server has it, or never takes it.
static void sendStill() {
  const Still &s = unsent.front();
  std::string headers = "Content-Type: image/jpeg\r\nLintel-Ring: " + s.ring +
                        "\r\nLintel-Frame: " + std::to_string(s.frame) + "\r\n";
  std::string taken = timeAgo(millis() - s.takenAt);
  if (!taken.empty()) headers += "Lintel-Taken-At: " + taken + "\r\n";
  Answer a = exchange("POST", "/stills", headers, s.picture);
  switch (judge(a)) {
  case TAKEN:
  case PASS:
    Serial.printf("still %s %u: %d\n", s.ring.c_str(), s.frame, a.status);
    unsent.pop_front();
    ringBackoff.well();
    if (unsent.empty() && !stopped) say("They know");
    break;
  case AGAIN:
    ringBackoff.again(a.retryAfter);
    Serial.printf("still %s %u: %d, again in %u ms\n", s.ring.c_str(), s.frame, a.status,
                  static_cast<unsigned>(ringBackoff.wait));
    break;
  case STOP:
    break;
  }
}

// ---- Saying how the bell is ---------------------------------------------------

static Backoff beatBackoff;

// A number of a JSON object, or 0.
static long number(const std::string &json, const char *key) {
  size_t at = json.find(std::string("\"") + key + "\":");
  return at == std::string::npos ? 0 : atol(json.c_str() + at + strlen(key) + 3);
}

static void heartbeat() {
  std::string clock = timeAgo(0);
  std::string body = "{\"signal_dbm\":" + std::to_string(WiFi.RSSI()) +
                     ",\"free_bytes\":" + std::to_string(ESP.getFreeHeap()) + ",\"firmware\":\"sketch 1\"" +
                     ",\"uptime_s\":" + std::to_string(millis() / 1000) +
                     (clock.empty() ? "" : ",\"clock\":\"" + clock + "\"") + "}";
  Answer a = exchange("POST", "/heartbeat", "Content-Type: application/json\r\n", body);
  switch (judge(a)) {
  case TAKEN:
    Serial.println("heartbeat");
    beatBackoff.well();
    beatBackoff.after(static_cast<uint32_t>(number(a.body, "next_s")) * 1000);
    break;
  case AGAIN:
    beatBackoff.again(a.retryAfter);
    break;
  case PASS:
    beatBackoff.after(LONGEST_WAIT);
    break;
  case STOP:
    break;
  }
}

// ---- The display --------------------------------------------------------------

static WiFiClient question;    // that the server holds back until there is something else to show
static bool asked = false;
static uint32_t askedAt = 0;
static Backoff displayBackoff;
static std::string tag;        // of what is shown
static std::string toConfirm;  // the message whose showing the server does not know of
static uint32_t shownAt = 0, shownFor = 0;  // ms; shownFor 0 for no message

// A text of a JSON object that has no escapes: ids, times and base64 have none.
static std::string text(const std::string &json, const char *key) {
  size_t at = json.find(std::string("\"") + key + "\":\"");
  if (at == std::string::npos) return "";
  at += strlen(key) + 4;
  return json.substr(at, json.find('"', at) - at);
}

// Decodes base64 (RFC 4648, section 4).
static std::string decode(const std::string &base64) {
  static const std::string letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string bytes;
  uint32_t bits = 0;
  int held = 0;
  for (char c : base64) {
    size_t value = letters.find(c);
    if (value == std::string::npos) break;
    bits = bits << 6 | static_cast<uint32_t>(value);
    if ((held += 6) >= 8) bytes += static_cast<char>(bits >> (held -= 8) & 0xff);
  }
  return bytes;
}

// Shows a page: a character's code for each place, row by row, each row at its own address.
static void show(const std::string &codes) {
  for (int row = 0; row < ROWS; row++) {
    lcd.setCursor(0, static_cast<uint8_t>(row));
    for (int i = row * COLUMNS; i < (row + 1) * COLUMNS; i++)
      lcd.write(static_cast<size_t>(i) < codes.size() ? static_cast<uint8_t>(codes[static_cast<size_t>(i)]) : ' ');
  }
}

static void takePage(const Answer &a) {
  tag = a.etag;
  toConfirm = text(a.body, "message");
  int64_t left = readTime(text(a.body, "until")) - clockSeconds;
  shownAt = millis();
  shownFor = toConfirm.empty() ? 0 : static_cast<uint32_t>(left > 0 ? left : 1) * 1000;
  show(decode(text(a.body, "bytes")));
}

static void confirm() {
  Answer a = exchange("POST", "/display/" + toConfirm + "/shown", "", "");
  Verdict v = judge(a);
  if (v == TAKEN || v == PASS) {
    Serial.printf("shown %s: %d\n", toConfirm.c_str(), a.status);
    toConfirm.clear();
    displayBackoff.well();
  } else if (v == AGAIN) {
    displayBackoff.again(a.retryAfter);
  }
}

static void lookAtDisplay() {
  if (shownFor && millis() - shownAt >= shownFor) {  // also where the server can't be reached
    shownFor = 0;
    lcd.clear();
  }
  if (!displayBackoff.due()) return;
  if (!toConfirm.empty()) return confirm();
  if (!asked) {
    std::string known = tag.empty() ? "" : "If-None-Match: " + tag + "\r\n";
    asked = ask(question, "GET", "/display?wait=" + std::to_string(LONGEST_ASK), known, "");
    askedAt = millis();
    if (!asked) displayBackoff.again(0);
    return;
  }
  bool late = millis() - askedAt > LONGEST_ASK * 1000 + ANSWER_TIME;
  if (!question.available() && question.connected() && !late) return;
  asked = false;
  Answer a = read(question);
  switch (judge(a)) {
  case TAKEN:
    displayBackoff.well();
    if (a.status == 200) takePage(a);
    break;
  case AGAIN:
    displayBackoff.again(a.retryAfter);
    break;
  case PASS:  // the household told of no display
    displayBackoff.after(LONGEST_WAIT);
    break;
  case STOP:
    break;
  }
}

// ---- The board ----------------------------------------------------------------

void setup() {
  Serial.begin(115200);
  lcd.begin(COLUMNS, ROWS);
  camera_config_t camera = {};  // and the pins of your board, which its maker lists
  camera.pixel_format = PIXFORMAT_JPEG;
  camera.frame_size = FRAMESIZE_XGA;
  camera.jpeg_quality = 10;
  camera.fb_count = 1;
  if (esp_camera_init(&camera) != ESP_OK) {
    say("No camera");
    Serial.println("no camera");
  }
  WiFi.begin(WIFI_NAME, WIFI_WORD);
  WiFi.setAutoReconnect(true);
  Serial.println("ready");
}

void loop() {
  static bool touched = false;
  bool before = touched;
  touched = touchRead(TOUCH_PIN) < TOUCHED_BELOW;
  if (touched && !before && !stopped) ring();
  if (stopped || WiFi.status() != WL_CONNECTED) return delay(10);
  if (!unsent.empty()) {
    if (ringBackoff.due()) sendStill();
  } else if (beatBackoff.due()) {
    heartbeat();
  }
  if (!stopped) lookAtDisplay();
  delay(10);
}
