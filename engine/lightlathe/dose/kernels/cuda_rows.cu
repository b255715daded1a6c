// Sums of a few numbers each, as dose/gathers.py states them. Compiled with TAPS, and with DOUBLE 0 or 1.

#if DOUBLE
typedef double real;
#else
typedef float real;
#endif

constexpr int LINES = 16;

// A thread keeps the table of one number and goes through LINES lines: each is read from memory once.
extern "C" __global__ void __launch_bounds__(128)
along(const real* __restrict__ x, const int* __restrict__ index, const real* __restrict__ weight, real* __restrict__ out,
      int lines, int count_in, int count) {
    const int i = blockIdx.y * 128 + threadIdx.x, first = blockIdx.x * LINES, end = min(first + LINES, lines);
    if (i >= count) return;
    real w[TAPS];
    const real* from[TAPS];
#pragma unroll
    for (int k = 0; k < TAPS; ++k) {
        w[k] = weight[k * count + i];
        from[k] = x + (long long)first * count_in + index[k * count + i];
    }
    real* to = out + (long long)first * count + i;
#pragma unroll 4
    for (int line = first; line < end; ++line, to += count) {
        real total = w[0] * *from[0];
        from[0] += count_in;
#pragma unroll
        for (int k = 1; k < TAPS; ++k) {
            total += w[k] * *from[k];
            from[k] += count_in;
        }
        *to = total;
    }
}

constexpr int ROWS = 8;

// ROWS rows of one angle of one target, 128 numbers of each.
extern "C" __global__ void __launch_bounds__(128)
rows(const real* __restrict__ x, const int* __restrict__ table, const real* __restrict__ weight, real* __restrict__ out,
     int sources, int targets, int angles, int rows_in, int rows_out, int nz, int entries) {
    const int blocks = (rows_out + ROWS - 1) / ROWS, angle = blockIdx.x / blocks, i0 = blockIdx.x % blocks * ROWS;
    const int z = blockIdx.y * 128 + threadIdx.x, batch = blockIdx.z / targets, target = blockIdx.z % targets;
    if (z >= nz) return;
    real* to = out + (((long long)batch * targets + target) * angles + angle) * rows_out * nz + z;
#pragma unroll 2
    for (int r = 0; r < ROWS; ++r) {
        const int i = i0 + r;
        if (i >= rows_out) break;
        real total = 0;
#pragma unroll
        for (int k = 0; k < TAPS; ++k) {
            const int at = (target * TAPS + k) * rows_out + i;
            const real w = weight[at];
            int image = angle + table[entries + at];  // 0 to angles - 1 further on
            image -= image >= angles ? angles : 0;
            const long long plane = ((long long)batch * sources + table[at]) * angles + image;
            if (w != 0) total += w * x[(plane * rows_in + table[2 * entries + at]) * nz + z];
        }
        to[(long long)i * nz] = total;
    }
}
