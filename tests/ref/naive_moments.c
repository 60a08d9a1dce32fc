/* Slow twins of measure/moments.h. */
#include "naive_moments.h"

bool naive_bit(const struct naive_frames *frames, size_t row, unsigned position)
{
    return frames->bytes[row * frames->length + position / 8] >> position % 8 & 1;
}

uint64_t naive_ones(const struct naive_frames *frames, unsigned i)
{
    return naive_both(frames, i, i);
}

uint64_t naive_both(const struct naive_frames *frames, unsigned i, unsigned j)
{
    uint64_t sum = 0;
    for (size_t row = 0; row < frames->count; row++)
        sum += naive_bit(frames, row, i) && naive_bit(frames, row, j);
    return sum;
}

uint64_t naive_flips(const struct naive_frames *frames, unsigned i, unsigned j, bool against)
{
    uint64_t sum = 0;
    for (size_t row = 1; row < frames->count; row++) {
        int step_i = naive_bit(frames, row, i) - naive_bit(frames, row - 1, i);
        int step_j = naive_bit(frames, row, j) - naive_bit(frames, row - 1, j);
        if (frames->next[row] && step_i != 0 && step_j != 0)
            sum += !against || step_i != step_j;
    }
    return sum;
}

static long double value_of(const struct naive_frames *frames, size_t row,
                            const unsigned *positions, unsigned length, bool is_signed)
{
    long double value = 0, weight = 1;
    for (unsigned n = 0; n < length; n++, weight *= 2)
        if (naive_bit(frames, row, positions[n]))
            value += is_signed && n == length - 1 ? -weight : weight;
    return value;
}

void naive_window(const struct naive_frames *frames, const unsigned *positions, unsigned length,
                  bool is_signed, long double *ret_variance, long double *ret_step)
{
    long double mean = 0, squares = 0, steps = 0, before = 0;
    size_t step_count = 0;
    for (size_t row = 0; row < frames->count; row++)
        mean += value_of(frames, row, positions, length, is_signed);
    mean /= (long double)frames->count;
    for (size_t row = 0; row < frames->count; row++) {
        long double value = value_of(frames, row, positions, length, is_signed);
        squares += (value - mean) * (value - mean);
        if (row != 0 && frames->next[row]) {
            steps += (value - before) * (value - before);
            step_count++;
        }
        before = value;
    }
    *ret_variance = squares / (long double)frames->count;
    *ret_step = step_count == 0 ? 0 : steps / (long double)step_count;
}
