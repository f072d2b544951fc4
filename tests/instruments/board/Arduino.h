// A board for the reference sketch on a desk: its serial port is a file descriptor, its clock runs as it is asked.
#pragma once

struct Port {
  void begin(long) {}
  int available();
  int read();
  void print(const char *text);
};
extern Port Serial;
unsigned long millis();
void setup();
void loop();
