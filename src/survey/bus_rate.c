/* How busy a bus is, and how fast it runs: from lengths of frames and from their spacing.
 *
 * Lengths of classic frames: core/frame.h. FD frames (ISO 11898-1:2015, from memory): the first bit
 * rate up to the bit-rate switch, and from the acknowledge slot on; between them ESI, DLC, data,
 * stuff count and CRC with fixed stuff bits. Their data rate is not in a recording: 2 Mbit/s is
 * assumed, and said.
 *
 * Bit rate. Frames that wait for the bus follow one another at once, so the spacing of close
 * neighbours is the length of a frame: bits / spacing <= bit rate, and a clump of neighbours just
 * below it tells the rate. Recorders that stamp in the host put frames closer together than wires
 * can; then only the busiest stretch of 50 ms bounds the rate from below, and the smallest usual
 * rate with room for it is a guess, said as one. */
#include "survey/bus_rate.h"

#include <stdlib.h>

#define ROWS_MOST       262144u
#define CLOSE_TOLERANCE 1.12 /* jitter of stamps; usual rates are a factor 2 apart */
#define CLUMP_LOW       0.72 /* all stuff bits, and jitter: still back to back */
#define CLUMP_BELOW     0.40 /* a clump has more than the stretch from here to CLUMP_LOW */
#define CLUMP_LEAST     20u
#define STRETCH_NS      INT64_C(50000000)
#define USUAL_MOST      0.60  /* of the bit rate: buses are laid out for less */
#define CANNOT_BELOW    0.03  /* a load that says nothing of the rate */
#define USUAL_BITS      111.0 /* 8 bytes, 11-bit identifier */
#define STEP_MOST       0.1   /* of a frame */

static const uint32_t usual_hz[] = {125000, 250000, 500000, 1000000};

struct fd_bits bus_fd_bits(unsigned length, bool extended)
{
    /* SOF, id, RRS, IDE, FDF, reserved, BRS; 18 more identifier bits and SRR. */
    unsigned head = 17u + (extended ? 19u : 0u);
    /* ESI, DLC, data; stuff count, CRC 17 or 21 and their fixed stuff bits; CRC delimiter. */
    unsigned data = 5u + 8u * length, check = length > 16 ? 4u + 21u + 7u + 1u : 4u + 17u + 6u + 1u;
    return (struct fd_bits){
        .slow_min = head + 12u, /* ACK, its delimiter, EOF, gap */
        .slow_max = head + 12u + (head - 1u) / 4u,
        .fast_min = data + check,
        .fast_max = data + check + data / 4u,
    };
}

/* --- lengths --- */

struct bus_bits {
    double slow_min, slow_max, fast_min, fast_max;
};

static struct bus_bits bits_of_bus(const struct survey_work *work, unsigned bus,
                                   uint64_t *ret_fd_frames)
{
    const struct lt_survey *survey = work->survey;
    struct bus_bits bits = {.slow_min = (double)survey->counts->bus[bus].bits_min,
                            .slow_max = (double)survey->counts->bus[bus].bits_max};
    *ret_fd_frames = 0;
    for (size_t i = 0; i < survey->frame_count; i++) {
        const struct lt_stream *stream = survey->frames[i].stream;
        if (stream->key.bus != bus || !stream->key.fd)
            continue;
        struct fd_bits fd = bus_fd_bits(stream->key.length, stream->key.extended);
        double count = (double)stream->timing.count;
        bits.slow_min += count * fd.slow_min;
        bits.slow_max += count * fd.slow_max;
        bits.fast_min += count * fd.fast_min;
        bits.fast_max += count * fd.fast_max;
        *ret_fd_frames += stream->timing.count;
    }
    return bits;
}

static void load_at(const struct bus_bits *bits, double duration_s, uint32_t hz,
                    struct bus_rate *rate)
{
    double fast_hz = hz > BUS_FD_DATA_HZ ? hz : BUS_FD_DATA_HZ;
    rate->load_min = (bits->slow_min / hz + bits->fast_min / fast_hz) / duration_s;
    rate->load_max = (bits->slow_max / hz + bits->fast_max / fast_hz) / duration_s;
    rate->load_mid = (rate->load_min + rate->load_max) / 2;
}

/* --- spacing --- */

struct stamp {
    int64_t time_ns;
    uint32_t bits; /* at least; FD: what takes its time at the first bit rate */
};

static int by_time(const void *a, const void *b)
{
    const struct stamp *x = a, *y = b;
    if (x->time_ns != y->time_ns)
        return x->time_ns < y->time_ns ? -1 : 1;
    return x->bits < y->bits ? -1 : x->bits > y->bits;
}

static bool in_window(int64_t time_ns, int64_t until_ns)
{
    return time_ns != LT_NO_TIME && time_ns <= until_ns;
}

static size_t count_rows(const struct survey_work *work, unsigned bus, int64_t until_ns)
{
    size_t count = 0;
    for (size_t i = 0; i < work->survey->frame_count; i++) {
        const struct lt_kept *kept = &work->survey->frames[i].stream->kept;
        for (size_t row = 0; row < kept->count && kept->key.bus == bus; row++)
            count += in_window(kept->time_ns[row], until_ns);
    }
    return count;
}

/* The kept frames of the bus in order of time; the first ones where there are too many. Frames that
 * were not kept leave gaps, which only makes the bound lower. */
static enum lt_code gather_stamps(struct survey_work *work, unsigned bus, struct stamp **ret_stamps,
                                  size_t *ret_count)
{
    int64_t first_ns = work->survey->counts->bus[bus].first_ns;
    int64_t until_ns = work->survey->counts->bus[bus].last_ns;
    size_t room = count_rows(work, bus, until_ns), count = 0;
    while (room > ROWS_MOST && until_ns - first_ns > STRETCH_NS) {
        until_ns = first_ns + (until_ns - first_ns) / 2;
        room = count_rows(work, bus, until_ns);
    }
    room = room < ROWS_MOST ? room : ROWS_MOST;
    struct stamp *stamps = lt_arena_array(work->scratch, room, sizeof *stamps);
    if (!stamps)
        return lt_fail(work->error, LT_E_MEMORY, "out of memory for the bus load");
    for (size_t i = 0; i < work->survey->frame_count; i++) {
        const struct lt_stream *stream = work->survey->frames[i].stream;
        const struct lt_kept *kept = &stream->kept;
        struct fd_bits fd = bus_fd_bits(stream->key.length, stream->key.extended);
        uint32_t bits = stream->key.fd
                            ? fd.slow_min
                            : lt_frame_bits_min(stream->key.length, stream->key.extended);
        for (size_t row = 0; row < kept->count && kept->key.bus == bus && count < room; row++)
            if (in_window(kept->time_ns[row], until_ns))
                stamps[count++] = (struct stamp){kept->time_ns[row], bits};
    }
    qsort(stamps, count, sizeof *stamps, by_time);
    *ret_stamps = stamps;
    *ret_count = count;
    return LT_OK;
}

static uint64_t greatest_common(uint64_t a, uint64_t b)
{
    while (b) {
        uint64_t rest = a % b;
        a = b;
        b = rest;
    }
    return a;
}

/* The step in which the recorder counts time. */
static int64_t resolution_of(const struct stamp *stamps, size_t count)
{
    uint64_t step_ns = 0;
    for (size_t i = 1; i < count && step_ns != 1; i++)
        step_ns =
            greatest_common(step_ns, (uint64_t)stamps[i].time_ns - (uint64_t)stamps[i - 1].time_ns);
    return step_ns > (uint64_t)STRETCH_NS ? STRETCH_NS : (int64_t)step_ns;
}

/* The rate that the busiest stretch of at least STRETCH_NS needs. */
static double stretch_hz(const struct stamp *stamps, size_t count, int64_t step_ns)
{
    double most = 0, bits = 0;
    size_t from = 0;
    for (size_t i = 1; i < count; i++) {
        bits += stamps[i].bits;
        while (from + 1 < i && stamps[i].time_ns - stamps[from + 1].time_ns >= STRETCH_NS)
            bits -= stamps[++from].bits;
        int64_t span_ns = stamps[i].time_ns - stamps[from].time_ns;
        if (span_ns < STRETCH_NS)
            continue;
        double hz = bits * 1e9 / (double)(span_ns + step_ns);
        most = hz > most ? hz : most;
    }
    return most;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return x < y ? -1 : x > y;
}

/* bits / spacing of neighbours, ascending. */
static double *neighbour_hz(struct survey_work *work, const struct stamp *stamps, size_t count,
                            int64_t step_ns)
{
    double *hz = lt_arena_array(work->scratch, count, sizeof *hz);
    for (size_t i = 1; i < count && hz; i++) {
        int64_t gap_ns = stamps[i].time_ns - stamps[i - 1].time_ns + step_ns / 2;
        hz[i - 1] = stamps[i].bits * 1e9 / (double)(gap_ns > 0 ? gap_ns : 1);
    }
    if (hz && count > 1)
        qsort(hz, count - 1, sizeof *hz, by_size);
    return hz;
}

static size_t count_between(const double *sorted, size_t count, double low, double high)
{
    size_t in = 0;
    for (size_t i = count; i-- > 0 && sorted[i] >= low;)
        in += sorted[i] < high;
    return in;
}

static uint32_t smallest_usual(double least_hz)
{
    for (size_t i = 0; i < sizeof usual_hz / sizeof *usual_hz; i++)
        if (usual_hz[i] * CLOSE_TOLERANCE >= least_hz)
            return usual_hz[i];
    return 0;
}

/* Slower rates are out: so many bits do not fit between neighbours, even if both stamps are off by
 * half a step. The shift of `hz` by half a step is already in it. */
static double least_of(double hz, int64_t step_ns)
{
    double gap_ns = USUAL_BITS * 1e9 / hz;
    return USUAL_BITS * 1e9 / (gap_ns + (double)step_ns / 2) / CLOSE_TOLERANCE;
}

static void look_at_spacing(const double *hz, size_t pairs, int64_t step_ns, struct bus_rate *rate)
{
    /* A few pairs are closer than they were, where the recorder was late. */
    size_t doubtful = pairs / 500;
    if (pairs < 2 * CLUMP_LEAST)
        return;
    double closest_hz = hz[pairs - 1 - doubtful], least_hz = least_of(closest_hz, step_ns);
    uint32_t usual = smallest_usual(closest_hz);
    if (!usual) {
        rate->stamps_batched = true;
        return;
    }
    if (least_hz > rate->least_hz)
        rate->least_hz = least_hz;
    /* A step of time as long as a good part of a frame shows no clump. */
    if ((double)step_ns * usual > STEP_MOST * USUAL_BITS * 1e9)
        return;
    size_t clump = count_between(hz, pairs, CLUMP_LOW * usual, CLOSE_TOLERANCE * usual);
    size_t below = count_between(hz, pairs, CLUMP_BELOW * usual, CLUMP_LOW * usual);
    if (clump < CLUMP_LEAST || clump <= below || clump < pairs / 100)
        return;
    rate->hz = usual;
    rate->reason = RATE_SPACING;
}

/* --- the rate --- */

static void guess(const struct bus_bits *bits, bool j1939, struct bus_rate *rate)
{
    struct bus_rate at = {.hz = 0};
    if (j1939 && rate->least_hz <= 500000.0) {
        rate->hz = rate->least_hz <= 250000.0 ? 250000 : 500000;
        rate->reason = RATE_J1939;
        return;
    }
    load_at(bits, rate->duration_s, usual_hz[0], &at);
    if (at.load_mid < CANNOT_BELOW)
        return;
    for (size_t i = 0; i < sizeof usual_hz / sizeof *usual_hz && !rate->hz; i++) {
        load_at(bits, rate->duration_s, usual_hz[i], &at);
        if (rate->least_hz <= usual_hz[i] && at.load_mid <= USUAL_MOST)
            rate->hz = usual_hz[i];
    }
    rate->reason = rate->hz ? RATE_SMALLEST : RATE_UNKNOWN;
}

static enum lt_code find_rate(struct survey_work *work, unsigned bus, bool j1939,
                              const struct bus_bits *bits, struct bus_rate *rate)
{
    struct stamp *stamps = NULL;
    size_t count = 0;
    enum lt_code code = gather_stamps(work, bus, &stamps, &count);
    if (code != LT_OK || count < 2)
        return code;
    int64_t step_ns = resolution_of(stamps, count);
    double *hz = neighbour_hz(work, stamps, count, step_ns);
    if (!hz)
        return lt_fail(work->error, LT_E_MEMORY, "out of memory for the bus load");
    rate->least_hz = stretch_hz(stamps, count, step_ns);
    look_at_spacing(hz, count - 1, step_ns, rate);
    if (!rate->hz)
        guess(bits, j1939, rate);
    return LT_OK;
}

enum lt_code bus_rate_find(struct survey_work *work, unsigned bus, bool j1939,
                           struct bus_rate *ret_rate)
{
    struct bus_rate rate = {.duration_s = 0};
    struct bus_bits bits = bits_of_bus(work, bus, &rate.fd_frames);
    int64_t first_ns = work->survey->counts->bus[bus].first_ns;
    int64_t last_ns = work->survey->counts->bus[bus].last_ns;
    enum lt_code code = LT_OK;
    rate.timed = first_ns != LT_NO_TIME;
    if (rate.timed && last_ns > first_ns)
        rate.duration_s = ((double)last_ns - (double)first_ns) / 1e9;
    if (work->options->bitrate_hz) {
        rate.hz = work->options->bitrate_hz;
        rate.reason = RATE_GIVEN;
    } else if (rate.duration_s > 0) {
        code = find_rate(work, bus, j1939, &bits, &rate);
    }
    if (rate.hz && rate.duration_s > 0)
        load_at(&bits, rate.duration_s, rate.hz, &rate);
    *ret_rate = rate;
    return code;
}
