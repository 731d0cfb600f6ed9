// A reader for ROM chips: prints a chip in the line protocol of PROTOCOL.md, or as plain hex.
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
// - First read an empty socket, then a spare programmed from a known image, then the chip that matters: three passes at
//   the nominal supply, then stop and compare.
//
// Fill in the four functions under YOUR BOARD. The fifth, `heard`, is for readers that listen; leave it if not.

#include <stdint.h>

static const uint32_t WORDS = 2048;      // words of the chip
static const unsigned BITS = 8;          // bits of a word, at most 32
static const unsigned PASSES = 3;
static const unsigned LINE = 16;         // words on a line
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

void read_chip() {
    for (unsigned pass = 1; pass <= PASSES; pass++) {
        pass_crc = 0xFFFF;
        if (PLAIN) { put_text("-- reading pass "); put_number(pass); print('\n'); } else header(pass);
        for (uint32_t address = 0; address < WORDS; address += LINE) data_line(pass, address, true);
        if (!PLAIN) { trailer(pass); listen(pass); }
    }
}

int main() { read_chip(); return 0; }
