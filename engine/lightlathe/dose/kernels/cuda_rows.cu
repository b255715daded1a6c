// Sums of a few numbers along the last axis, as dose/gathers.py states them. Compiled with TAPS, and with DOUBLE 0 or 1.

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
