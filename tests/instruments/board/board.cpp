// Runs the sketch: standard input and output are its serial port; a millisecond goes by at every look at the clock.
#include "Arduino.h"
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

Port Serial;
static unsigned long now = 0;

unsigned long millis() { return ++now; }

int Port::available() {
  struct pollfd in = {0, POLLIN, 0};
  if (poll(&in, 1, 0) <= 0) return 0;
  if (!(in.revents & POLLIN)) exit(0);
  return 1;
}

int Port::read() {
  unsigned char c;
  if (::read(0, &c, 1) != 1) exit(0);
  return c;
}

void Port::print(const char *text) {
  if (write(1, text, strlen(text)) < 0) exit(0);
}

bool readChannels(long channels[3]) {
  channels[0] = 475;
  channels[1] = 500;
  channels[2] = 544;
  return getenv("BRIGHT") == NULL;
}

int main() {
  setup();
  for (;;) loop();
}
