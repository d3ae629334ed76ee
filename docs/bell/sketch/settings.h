// What is different in each house.
#pragma once

static const char *const WIFI_NAME = "our-wifi";
static const char *const WIFI_WORD = "its password";
static const char *const SERVER = "192.168.1.7";
static const uint16_t PORT = 8420;
static const char *const BELL = "front";                    // the address that `lintel bell add` said
static const char *const SECRET = "what it printed below";  // keep this file to yourself
