// A colour sensor for the lamp bench: reference sketch for a small microcontroller.
//
// It speaks the line protocol of docs/colour-sensor.md at 115200 baud. What is yours to write is readChannels(),
// for the sensor chip that you have, and CHANNELS. The rest needs nothing but a serial port and a clock.
//
// Put it into your board's tool as it is (rename it as that wants), or keep to the protocol by other means.

#include <Arduino.h>
#include <string.h>
#include <stdio.h>
#include <stdlib.h>

const char WHO[] = "bench eye";   // who it says it is: letters, digits, spaces
const char CHANNELS[] = "xyz";    // "xyz" if the chip's channels follow CIE 1931, else "rgb"
const unsigned long AT_MOST = 3600000UL;  // ms without a word after which it stops reading

// Three channels less the dark, as whole counts. False when one is too bright to be read.
bool readChannels(long channels[3]);

static unsigned long every = 0;   // ms between readings; 0: it does not read
static unsigned long due = 0;
static unsigned long heard = 0;
static char line[48];
static unsigned char length = 0;

static unsigned char checksum(const char *from, const char *to) {
  unsigned char check = 0;
  while (from < to) check ^= (unsigned char)*from++;
  return check;
}

static void say(const char *payload) {
  char text[80];
  snprintf(text, sizeof text, "%s*%02X\n", payload, checksum(payload, payload + strlen(payload)));
  Serial.print(text);
}

static void obey(char *text) {
  char *star = strrchr(text, '*');
  if (star == NULL || strlen(star) != 3 || strtol(star + 1, NULL, 16) != checksum(text, star)) {
    say("NO,damaged");
    return;
  }
  *star = '\0';
  heard = millis();
  if (strcmp(text, "ID?") == 0) {
    char answer[64];
    snprintf(answer, sizeof answer, "ID,%s,1,%s", WHO, CHANNELS);
    say(answer);
  } else if (strcmp(text, "STOP") == 0) {
    every = 0;
    say("OK");
  } else if (strncmp(text, "GO,", 3) == 0 && atol(text + 3) >= 10) {
    every = (unsigned long)atol(text + 3);
    due = millis();
    say("OK");
  } else {
    say("NO,not understood");
  }
}

static void read() {
  char text[64];
  long channels[3];
  unsigned long now = millis();
  if (readChannels(channels))
    snprintf(text, sizeof text, "S,%lu,%ld,%ld,%ld", now, channels[0], channels[1], channels[2]);
  else
    snprintf(text, sizeof text, "X,%lu,too bright", now);
  say(text);
}

void setup() { Serial.begin(115200); }

void loop() {
  while (Serial.available() > 0) {
    char c = (char)Serial.read();
    if (c == '\n') {
      line[length] = '\0';
      if (length > 0) obey(line);
      length = 0;
    } else if (c != '\r') {
      if (length < sizeof line - 1) line[length++] = c;
    }
  }
  unsigned long now = millis();
  if (every > 0 && now - heard > AT_MOST) every = 0;
  if (every > 0 && (long)(now - due) >= 0) {
    due += every;
    read();
  }
}
