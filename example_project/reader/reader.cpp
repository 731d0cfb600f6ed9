// A reader for ROM chips: prints a chip in the line protocol of PROTOCOL.md, or as plain hex.
//
// Three ways to run it: as it stands it reads PASSES passes; with READER_LOOP it reads on and on, for `wellread watch`;
// with READER_LINE_TEST it tests the wires of an EMPTY socket, one line at a time, before any chip goes in. With
// READER_PULSE_TEST it pulses the address lines of an EXPENDABLE chip, never of one that matters.
//
// BEFORE ANY CHIP GOES INTO THE SOCKET
// - The data sheet decides. Where this file or any printed sheet contradicts it, follow the data sheet, and local
//   rules for electrical work; what is beyond your practice belongs to someone licensed for it.
// - Switch off before a chip goes in or comes out or a wire moves. Measure every supply at the empty socket.
// - Right chip, right way round: reversed, it takes the full reverse current.
// - These pins stay low or inputs until every supply of the chip stands, and again before any goes off: no signal
//   feeds an unpowered chip.
// - Some parts need more than one supply, in an order that is in the data sheet; a wrong order destroys them. Outputs
//   of a p-channel part (a supply of -9 or -12 V) go below ground: TTL buffers between, no pull-downs.
// - A board that runs at 3.3 V needs level shifters for a 5 V chip.
// - Tie write and programming pins, in hardware, to the level at which nothing is written: no line of this program
//   drives them. A sole copy has no second chance.
// - Put nothing on a pin that exceeds the chip's supply. Guard against static charge; keep windows covered.
// - The line test: chip out, every supply of the socket off. 220 to 470 ohms in series with every address and data line,
//   so that two joined lines drive no more than a few milliamperes into each other. Pull-ups of 10 kilohms on the data
//   lines at the socket's holes: at the reader's pins a broken wire would pass. Enable, write, programming and supply
//   pins have no number here: nothing toggles them.
// - First read an empty socket, then a spare programmed from a known image, then the chip that matters: three passes at
//   the nominal supply, then stop and compare.
//
// Fill in the functions under YOUR BOARD. `heard` is for readers that listen; leave it if not. `supplies_stand` and `rest`
// keep signals off an unpowered chip. The three `line_` functions are for the line test alone.

#include <stdint.h>

static const uint32_t WORDS = 2048;      // words of the chip
static const unsigned BITS = 8;          // bits of a word, at most 32
static const unsigned PASSES = 3;
static const unsigned LINE = 16;         // words on a line
static const unsigned ADDRESS_LINES = 11; // address lines of the chip, for the tests
static const unsigned SETTLE_US = 10;    // wait after each address; ten times the access time is not too much
static const bool PLAIN =
#ifdef READER_PLAIN
    true;
#else
    false;
#endif

// ---- YOUR BOARD -----------------------------------------------------------------------------------------------
#ifdef READER_BOARD
#include READER_BOARD
#else
static void set_address(uint32_t address) { (void)address; }      // put the address on the chip's pins
static uint32_t read_data() { return 0; }                         // the levels of the data pins, D0 in bit 0
static void print(char character) { (void)character; }            // send one character
static void wait_us(uint32_t microseconds) { (void)microseconds; }
static int heard() { return -1; }                                 // a character that came in, or -1
#endif
// Without a way to see the supplies the reader is started once every one of them stands, and stopped before any goes off.
#ifndef READER_BOARD_HAS_LINES                                    // a board of its own that has these says so
static bool supplies_stand() { return true; }                     // whether every supply of the chip stands (measured, or a switch)
static void rest() {}                                             // all pins to the chip low or inputs
static void strobe() {}                                           // take the address in, on latched parts; else nothing
// Lines count A0 first, then D0 behind the last address line; no other pin has a number.
static void line_drive(unsigned line, bool high) { (void)line; (void)high; }   // through its series resistor
static void line_release(unsigned line) { (void)line; }                        // an input with its pull-up
static bool line_level(unsigned line) { (void)line; return true; }
#endif
// ---------------------------------------------------------------------------------------------------------------

static uint16_t crc_add(uint16_t crc, uint8_t byte) {
    crc = (uint16_t)(crc ^ ((uint16_t)byte << 8));
    for (int bit = 0; bit < 8; bit++) crc = (uint16_t)((crc & 0x8000u) ? ((uint32_t)crc << 1) ^ 0x1021u : (uint32_t)crc << 1);
    return crc;
}

static uint16_t line_crc;
static uint16_t pass_crc;

static void put(char character) { line_crc = crc_add(line_crc, (uint8_t)character); print(character); }
static void put_text(const char *text) { while (*text) put(*text++); }

static void put_hex(uint32_t value, unsigned digits) {
    while (digits--) put("0123456789ABCDEF"[(value >> (4 * digits)) & 15u]);
}

static void put_number(uint32_t value) {
    if (value >= 10) put_number(value / 10);
    put((char)('0' + value % 10));
}

static void begin_line() { line_crc = 0xFFFF; }

static void end_line() {
    const uint16_t crc = line_crc;
    put('*');
    put_hex(crc, 4);
    print('\n');
}

static unsigned address_digits() {
    unsigned digits = 4;
    while (digits < 8 && ((WORDS - 1) >> (4 * digits))) digits++;
    return digits;
}

static uint32_t word_at(uint32_t address) {
    set_address(address);
    strobe();
    wait_us(SETTLE_US);
    const uint32_t word = read_data();
    return BITS < 32 ? word & ((1ul << BITS) - 1) : word;
}

static void header(unsigned pass) {
    begin_line();
    put_text("#WELLREAD 1 PASS "); put_number(pass); put_text(" ORG "); put_number(WORDS); put('x'); put_number(BITS);
    put_text(" LINE "); put_number(LINE);
    end_line();
}

static void trailer(unsigned pass) {
    begin_line();
    put_text("#END "); put_number(pass); put_text(" WORDS "); put_number(WORDS); put_text(" CRC "); put_hex(pass_crc, 4);
    end_line();
}

// One line; its words go into the pass's CRC only the first time.
static void data_line(unsigned pass, uint32_t first, bool counts) {
    begin_line();
    if (!PLAIN) { put('='); put_number(pass); put(' '); put_hex(first, address_digits()); }
    for (uint32_t address = first; address < first + LINE && address < WORDS; address++) {
        const uint32_t word = word_at(address);
        if (!PLAIN || address > first) put(' ');
        put_hex(word, (BITS + 3) / 4);
        if (counts)
            for (unsigned byte = (BITS + 7) / 8; byte--;) pass_crc = crc_add(pass_crc, (uint8_t)(word >> (8 * byte)));
    }
    if (PLAIN) print('\n'); else end_line();
}

// A request is `?PASS ADDRESS`, `?PASS H`, `?PASS T` or `!`; true once the pass is said to be whole.
static bool obey(const char *request, unsigned pass) {
    if (*request == '!') return true;
    if (*request++ != '?') return false;
    uint32_t number = 0, address = 0;
    while (*request >= '0' && *request <= '9') number = number * 10 + (uint32_t)(*request++ - '0');
    if (number != pass || *request++ != ' ') return false;
    if (*request == 'H') { header(pass); return false; }
    if (*request == 'T') { trailer(pass); return false; }
    for (; *request; request++) {
        const char c = *request;
        if (c >= '0' && c <= '9') address = address * 16 + (uint32_t)(c - '0');
        else if (c >= 'A' && c <= 'F') address = address * 16 + (uint32_t)(c - 'A' + 10);
        else return false;
    }
    if (address < WORDS && address % LINE == 0) data_line(pass, address, false);
    return false;
}

static void listen(unsigned pass) {
    char request[24];
    unsigned length = 0;
    for (uint32_t idle_ms = 0; idle_ms < 2000;) {
        if (!supplies_stand()) { rest(); return; }
        const int character = heard();
        if (character < 0) { wait_us(1000); idle_ms++; continue; }
        idle_ms = 0;
        if (character == '\n') {
            request[length] = 0;
            length = 0;
            if (obey(request, pass)) return;
        } else if (character != '\r' && length + 1 < sizeof request) request[length++] = (char)character;
    }
}

// No signal feeds an unpowered chip: the pins rest until every supply stands, and as soon as one does not.
static void wait_for_supplies() {
    while (!supplies_stand()) { rest(); wait_us(1000); }
}

// One pass; false where a supply went off in it or behind it.
static bool read_pass(unsigned pass) {
    pass_crc = 0xFFFF;
    if (PLAIN) { put_text("-- reading pass "); put_number(pass); print('\n'); } else header(pass);
    for (uint32_t address = 0; address < WORDS; address += LINE) {
        if (!supplies_stand()) { rest(); return false; }
        data_line(pass, address, true);
    }
    if (!PLAIN) { trailer(pass); listen(pass); }
    return supplies_stand();
}

void read_chip() {
    wait_for_supplies();
    for (unsigned pass = 1; pass <= PASSES && read_pass(pass); pass++) {}
    rest();
}

// Pass after pass. Whoever watches tells wires that were moved from the old ones by the count, which begins anew.
void read_on_and_on() {
    for (;;) {
        wait_for_supplies();
        for (unsigned pass = 1; read_pass(pass); pass = pass < 999999 ? pass + 1 : 1) {}
    }
}

// ---- the line test: an empty socket, every other supply off -----------------------------------------------------

static void put_line_name(unsigned line) {
    put(line < ADDRESS_LINES ? 'A' : 'D');
    put_number(line < ADDRESS_LINES ? line : line - ADDRESS_LINES);
}

// The levels of all address lines, then of all data lines.
static void put_levels(const char *when) {
    wait_us(100);                        // a pull of 10 kilohms and a long wire: some microseconds, ten times over
    put_text(when);
    for (unsigned from = 0, count = ADDRESS_LINES; count; from += count, count = from < ADDRESS_LINES + BITS ? BITS : 0) {
        uint32_t levels = 0;
        for (unsigned line = 0; line < count; line++) levels |= (uint32_t)line_level(from + line) << line;
        put(' ');
        put_hex(levels, (count + 3) / 4);
    }
}

void test_lines() {
    const unsigned lines = ADDRESS_LINES + BITS;
    for (unsigned line = 0; line < lines; line++) line_release(line);
    begin_line();
    put_text("#WELLREAD 1 TEST 1 LINES "); put_number(ADDRESS_LINES); put('x'); put_number(BITS);
    end_line();
    for (unsigned line = 0; line < lines; line++) {
        begin_line();
        put_text("~1 "); put_line_name(line);
        line_drive(line, false); put_levels(" LOW");
        line_drive(line, true); put_levels(" HIGH");
        line_drive(line, false); wait_us(100); line_release(line); put_levels(" FREE");
        end_line();
    }
    rest();
    begin_line(); put_text("#END TEST 1"); end_line();
}

// ---- the pulse test: an EXPENDABLE chip of the same part, supplied as its data sheet says -----------------------

void pulse_address_lines() {
    wait_for_supplies();
    begin_line();
    put_text("#WELLREAD 1 TEST 1 LINES "); put_number(ADDRESS_LINES); put('x'); put_number(BITS);
    end_line();
    for (unsigned line = 0; line < ADDRESS_LINES; line++) {
        unsigned bases = 0, differ = 0;
        // Many base addresses, spread by an odd step: what one address does not show another may.
        for (uint32_t base = 0, step = WORDS / 64 | 1u; bases < 64 && supplies_stand(); bases++, base = (base + step) % WORDS) {
            const uint32_t before = word_at(base), pulsed = word_at((base ^ (1ul << line)) % WORDS);
            differ += pulsed != before && word_at(base) == before;
        }
        if (!bases) break;
        begin_line();
        put_text("~1 "); put_line_name(line); put_text(" BASES "); put_number(bases); put_text(" DIFFER "); put_number(differ);
        end_line();
    }
    rest();
    begin_line(); put_text("#END TEST 1"); end_line();
}

int main() {
#if defined(READER_LINE_TEST)
    test_lines();
#elif defined(READER_PULSE_TEST)
    pulse_address_lines();
#elif defined(READER_LOOP)
    read_on_and_on();
#else
    read_chip();
#endif
    return 0;
}
