// Behind inserts whose cross-section differs from slice to slice: what cuda_hopper.cu leaves out. Compiled behind it.
//
// A product of 16 bins, 16 voxels and 8 slices (an octet) at a time. Most octets are lit or dark as a whole; else light is
// kept or dropped slice by slice, and only where a chord ends between the first and the last of the voxels is each of
// them compared with that end.

__device__ __forceinline__ void multiply(float (&d)[4], const u32 (&a)[4], u32 b, u32 b_next) {
    asm volatile("mma.sync.aligned.m16n8k16.row.col.f32.f16.f16.f32 {%0, %1, %2, %3}, {%4, %5, %6, %7}, {%8, %9}, "
                 "{%0, %1, %2, %3};"
                 : "+f"(d[0]), "+f"(d[1]), "+f"(d[2]), "+f"(d[3])
                 : "r"(a[0]), "r"(a[1]), "r"(a[2]), "r"(a[3]), "r"(b), "r"(b_next));
}
// 16 rows of two octets, each lane's own row at `at`, as the second factor
__device__ __forceinline__ void turned(u32 (&b)[4], const uint4* at) {
    asm volatile("ldmatrix.sync.aligned.m8n8.x4.trans.shared.b16 {%0, %1, %2, %3}, [%4];"
                 : "=r"(b[0]), "=r"(b[1]), "=r"(b[2]), "=r"(b[3]) : "r"(address(at)) : "memory");
}
__device__ __forceinline__ float of_half(const uint4* row, int number) {
    float y;
    asm("cvt.f32.f16 %0, %1;" : "=f"(y) : "h"(((const unsigned short*)row)[number]));
    return y;
}

constexpr int PITCH = 132;  // of rows of 128 numbers in shared memory
constexpr float NEVER = 3e38f;

// Where chords end: of a view, a class of slices and a bin of the band that meets any insert, in bins.
struct Ends {
    const float* t;
    const int* kind;  // the class of each slice, -1 where no insert stands
    int classes, first, count;
    __device__ __forceinline__ float of(int view, int z, int bin) const {
        const int which = kind[z], b = bin - first;
        return which >= 0 && b >= 0 && b < count ? t[((long long)view * classes + which) * count + b] : NEVER;
    }
};

// Adds to the dose of an 8 x 8 tile, 128 slices, the light of the views that `rows` names for it.
// span: of each row, octet and bin, the soonest and the latest end in 16 bins from there.
extern "C" __global__ void __launch_bounds__(128)
deposit_behind(const uint4* light, const float* table, const int* member, const float* low, const float* high,
               float* dose, int nx, int ny, int nz, int octets, int bins, float middle, float radius, float decay,
               int limit, float gain, const int* start, const int* rows, const float* t_ends, const int* kind,
               int classes, int band_first, int band, const float2* span, int span_octets, int z_first, int z_end) {
    extern __shared__ __align__(128) unsigned char shared[];
    const int tid = threadIdx.x, warp = tid >> 5, lane = tid & 31, t = lane & 3;
    uint4* staged = (uint4*)shared + 256 * warp;
    float* cut = (float*)(shared + 4 * 256 * 16) + 16 * PITCH * warp;  // what voxels take of chords that end among them
    const int tiles = (ny + 7) / 8, begin = start[blockIdx.x], stop = start[blockIdx.x + 1];
    if (begin == stop) return;
    const Ends ends = {t_ends, kind, classes, band_first, band};
    const int i0 = blockIdx.x / tiles * 8, j0 = blockIdx.x % tiles * 8, i = i0 + warp * 2, j = j0 + (lane >> 2);
    const float x_mid = (nx - 1) * 0.5f, y_mid = (ny - 1) * 0.5f, x = i - x_mid, y = j - y_mid;
    const float x_tile = i0 + 3.5f - x_mid, y_tile = j0 + 3.5f - y_mid, radius2 = radius * radius;
    const int z0 = (z_first & ~7) + blockIdx.y * 128, o0 = z0 / 8, there = min(16, span_octets - (int)blockIdx.y * 16);
    for (int k = lane; k < 16 * PITCH; k += 32) cut[k] = 0.0f;
    float d[16][4];
#pragma unroll
    for (int o = 0; o < 16; ++o) d[o][0] = d[o][1] = d[o][2] = d[o][3] = 0.0f;

    for (int p = begin; p < stop; ++p) {
        const int row = rows[p], side = row & 1, view = member[row];
        const float c = table[2 * (row - side)] + table[2 * (row - side) + 2];
        const float s = table[2 * (row - side) + 1] + table[2 * (row - side) + 3];
        const float sense = side ? -1.0f : 1.0f, lowest = x_tile * c + y_tile * s - 3.5f * (fabsf(c) + fabsf(s));
        const int first = min(max((int)floorf(lowest + middle - 0.01f), -WINDOW), bins);
        const float t_mid = sense * (y_tile * c - (x + 0.5f) * s), t_half = 3.5f * fabsf(c) + 0.5f * fabsf(s) + 2e-3f;
        const float t0 = t_mid - t_half, t1 = t_mid + t_half;
        float2 ends_in = {0.0f, -NEVER};
        if (lane < there)
            ends_in = span[((long long)row * span_octets + blockIdx.y * 16 + lane) * (bins + 2 * MARGIN) + MARGIN + first];
        const u32 whole = __ballot_sync(~0u, ends_in.x > t1), any = __ballot_sync(~0u, ends_in.y > t0);
        if (!any) continue;
        const int bin = first + (lane & 15);
        uint4 h[8];
#pragma unroll
        for (int k = 0; k < 8; ++k) {
            const int o = 2 * k + (lane >> 4);
            h[k] = {0, 0, 0, 0};
            if ((any >> o & 1) && bin >= 0 && bin < bins) h[k] = light[((long long)row * octets + o0 + o) * bins + bin];
        }
        const float from = first - middle;
        u32 a[4], ended = 0;
#pragma unroll
        for (int n = 0; n < 2; ++n) {
            const float xn = x + n, along = fmaf(y, c, -xn * s), place = fmaf(xn, c, y * s);
            const float left = power_of_two(fmaf(decay, root(fmaf(-place, place, radius2)), sense * decay * along));
            const float r = place - from - 2 * t;
            a[n] = halves(hat(r) * left, hat(r - 1.0f) * left);
            a[n + 2] = halves(hat(r - 8.0f) * left, hat(r - 9.0f) * left);
        }
        __syncwarp();
#pragma unroll
        for (int k = 0; k < 8; ++k) staged[32 * k + lane] = h[k];
        __syncwarp();
#pragma unroll
        for (int o = 0; o < 16; ++o) {
            if (!(any >> (o & ~1) & 3)) continue;
            u32 b[4];
            if (any >> o & 1) {
                turned(b, &staged[32 * (o / 2) + lane]);
                u32 b_low = b[2 * (o & 1)], b_high = b[2 * (o & 1) + 1];
                if (!(whole >> o & 1)) {
                    const int z = min(z0 + 8 * o + (lane >> 2), nz - 1);
                    bool within = false;
                    float end[4];
#pragma unroll
                    for (int k = 0; k < 4; ++k) {
                        const int at = first + 2 * t + (k & 1) + 8 * (k >> 1);
                        end[k] = ends.of(view, z, side ? bins - 1 - at : at);
                        within = within || (end[k] > t0 && end[k] <= t1);
                    }
                    b_low &= lit(t1, end[0], end[1]), b_high &= lit(t1, end[2], end[3]);
                    if (__any_sync(~0u, within)) ended |= 1u << o;
                }
                multiply(d[o], a, b_low, b_high);
            }
        }
        while (ended) {
            const int o = __ffs(ended) - 1;
            ended &= ended - 1;
#pragma unroll 1
            for (int n = 0; n < 2; ++n) {
                const float xn = x + n, at = fmaf(xn, c, y * s), r = at - from, along = sense * fmaf(y, c, -xn * s);
                const float light_left = power_of_two(fmaf(decay, root(fmaf(-at, at, radius2)), decay * along));
                const int near = (int)floorf(fminf(fmaxf(r, -2.0f), 17.0f));
#pragma unroll 1
                for (int k = max(near, 0); k < min(near + 2, 16); ++k)
#pragma unroll 1
                    for (int m = 0; m < 2; ++m) {
                        const int z = 8 * o + 2 * t + m;
                        const float e = ends.of(view, min(z0 + z, nz - 1), side ? bins - 1 - first - k : first + k);
                        if (e > t0 && e <= t1 && along < e)
                            cut[((lane >> 2) + 8 * n) * PITCH + z] += hat(r - k) * light_left * of_half(&staged[16 * o + k], 2 * t + m);
                    }
            }
            __syncwarp();
        }
    }

    const float back = __int_as_float((254 - scale_field(*low, *high)) << 23) * gain;
#pragma unroll
    for (int n = 0; n < 2; ++n) {
        const int x2 = 2 * (i + n) - nx + 1, y2 = 2 * j - ny + 1;
        if (i + n >= nx || j >= ny || x2 * x2 + y2 * y2 > limit) continue;
        float* at = dose + ((long long)(i + n) * ny + j) * nz;
#pragma unroll
        for (int o = 0; o < 16; ++o)
#pragma unroll
            for (int m = 0; m < 2; ++m) {
                const int z = z0 + 8 * o + 2 * t + m;
                if (z >= z_first && z < z_end) at[z] += (d[o][2 * n + m] + cut[((lane >> 2) + 8 * n) * PITCH + z - z0]) * back;
            }
    }
}

// Adds to 16 bins of one view, 128 slices, what voxels give that are lit in some slices and not in all: those from the
// soonest end of each bin's chord on. strips: row of `table` and side as 2 * row + side, and the first bin.
extern "C" __global__ void __launch_bounds__(128)
collect_behind(const uint4* by_x, const uint4* by_y, const float* table, const int* member, const int* main_axis,
               const float* low, const float* high, float* out, int nx, int ny, int nz, int octets, int bins,
               float middle, float radius, float decay, int limit, float gain, const int2* strips, const float* soonest,
               const float* t_ends, const int* kind, int classes, int band_first, int band, int z_first, int z_end) {
    extern __shared__ __align__(128) unsigned char shared[];
    __shared__ float2 spans[16];
    __shared__ float soon[16];
    const int tid = threadIdx.x, warp = tid >> 5, lane = tid & 31, t = lane & 3, g = lane >> 2;
    uint4* staged = (uint4*)shared + 256 * warp;
    float* cut = (float*)(shared + 4 * 256 * 16) + 16 * PITCH * warp;  // of voxels among which a chord ends
    float(*until)[PITCH] = (float(*)[PITCH])(shared + 4 * 256 * 16 + 4 * 4 * 16 * PITCH);
    const int row = strips[blockIdx.x].x, first = strips[blockIdx.x].y, side = row & 1, view = member[row];
    const Ends ends = {t_ends, kind, classes, band_first, band};
    const int z0 = (z_first & ~7) + blockIdx.y * 128, o0 = z0 / 8, there = min(16, octets - o0);
    if (tid < 16) {
        const int bin = first + tid;
        soon[tid] = bin < bins ? soonest[(long long)row * (bins + 2 * MARGIN) + MARGIN + bin] : NEVER;
    }
    for (int k = lane; k < 16 * PITCH; k += 32) cut[k] = 0.0f;
    for (int k = tid; k < 16 * 128; k += 128) {
        const int bin = first + k / 128, z = z0 + k % 128;
        const bool wanted = bin < bins && z >= z_first && z < z_end;
        until[k / 128][k % 128] = wanted ? ends.of(view, z, side ? bins - 1 - bin : bin) : -NEVER;
    }
    __syncthreads();
    if (tid < 16) {
        float2 in = {NEVER, -NEVER};
        for (int k = 0; k < 16; ++k)
            for (int z = 8 * tid; z < 8 * tid + 8 && soon[k] < 1e38f; ++z)
                in.x = fminf(in.x, until[k][z]), in.y = fmaxf(in.y, until[k][z]);
        spans[tid] = in;
    }
    __syncthreads();
    float earliest = NEVER;
    for (int k = 0; k < 16; ++k) earliest = fminf(earliest, soon[k]);

    const bool swapped = main_axis[row / (2 * MEMBERS)];
    const float* own = table + 3 * (row - side);
    const float cu = own[0] + own[2], cv = own[1] + own[3], sense = side ? -1.0f : 1.0f, radius2 = radius * radius;
    const int nu = swapped ? ny : nx, nv = swapped ? nx : ny;
    const float u_mid = (nu - 1) * 0.5f, v_mid = (nv - 1) * 0.5f, from = first - middle;
    const uint4* voxels = swapped ? by_y : by_x;
    const float soon_low = soon[g], soon_high = soon[g + 8];
    float d[16][4];
#pragma unroll
    for (int o = 0; o < 16; ++o) d[o][0] = d[o][1] = d[o][2] = d[o][3] = 0.0f;

    for (int line = warp; line < nv; line += 4) {
        const float v = line - v_mid, chord = sqrtf(fmaxf(limit - 4.0f * v * v, 0.0f)) * 0.5f + 0.01f;
        if (4.0f * v * v > limit) continue;
        const float u_strip = (from + 7.5f - v * cv) / cu, half = 8.5f / fabsf(cu) + 0.02f;
        const int u_end = min((int)floorf(fminf(u_strip + half, chord) + u_mid), nu - 1);
        for (int u0 = max((int)ceilf(fmaxf(u_strip - half, -chord) + u_mid), 0); u0 <= u_end; u0 += 16) {
            const float u = u0 - u_mid, turn = swapped ? sense : -sense, t_first = turn * (u * cv - v * cu);
            const float t_last = t_first + turn * 15.0f * cv;
            const float t0 = fminf(t_first, t_last) - 2e-3f, t1 = fmaxf(t_first, t_last) + 2e-3f;
            if (t1 < earliest) continue;
            const float2 in = spans[lane & 15];
            const u32 whole = __ballot_sync(~0u, in.x > t1), any = __ballot_sync(~0u, lane < there && in.y > t0);
            if (!any) continue;
            uint4 h[8];
#pragma unroll
            for (int k = 0; k < 8; ++k) {
                const int o = 2 * k + (lane >> 4), at = u0 + (lane & 15);
                h[k] = {0, 0, 0, 0};
                if ((any >> o & 1) && at <= u_end) h[k] = voxels[((long long)line * octets + o0 + o) * nu + at];
            }
            u32 a[4], ended = 0;
#pragma unroll
            for (int k = 0; k < 2; ++k) {
                float w[2][2];
#pragma unroll
                for (int n = 0; n < 2; ++n) {
                    const float at = u + (2 * t + n + 8 * k), place = fmaf(swapped ? v : at, swapped ? cv : cu, (swapped ? at : v) * (swapped ? cu : cv));
                    const float along = swapped ? fmaf(at, cv, -v * cu) : fmaf(-at, cv, v * cu);
                    const float depth = root(fmaf(-place, place, radius2)), r = place - from - g;
                    const float left = power_of_two(fmaf(decay, depth, sense * decay * along));
                    w[0][n] = sense * along < soon_low ? 0.0f : hat(r) * left;
                    w[1][n] = sense * along < soon_high ? 0.0f : hat(r - 8.0f) * left;
                }
                a[2 * k] = halves(w[0][0], w[0][1]), a[2 * k + 1] = halves(w[1][0], w[1][1]);
            }
            __syncwarp();
#pragma unroll
            for (int k = 0; k < 8; ++k) staged[32 * k + lane] = h[k];
            __syncwarp();
#pragma unroll
            for (int o = 0; o < 16; ++o) {
                if (!(any >> o & 1)) continue;
                u32 b[4];
                turned(b, &staged[32 * (o / 2) + lane]);
                if (whole >> o & 1) {
                    multiply(d[o], a, b[2 * (o & 1)], b[2 * (o & 1) + 1]);
                    continue;
                }
                float all[4] = {0.0f, 0.0f, 0.0f, 0.0f};
                multiply(all, a, b[2 * (o & 1)], b[2 * (o & 1) + 1]);
                bool within = false;
#pragma unroll
                for (int k = 0; k < 4; ++k) {
                    const float e = until[g + 8 * (k >> 1)][8 * o + 2 * t + (k & 1)];
                    d[o][k] += e > t1 ? all[k] : 0.0f;
                    within = within || (e > t0 && e <= t1);
                }
                if (__any_sync(~0u, within)) ended |= 1u << o;
            }
            while (ended) {
                const int o = __ffs(ended) - 1;
                ended &= ended - 1;
#pragma unroll 1
                for (int k = 0; k < 4; ++k) {
                    const int m = g + 8 * (k >> 1), z = 8 * o + 2 * t + (k & 1);
                    const float e = until[m][z];
                    if (!(e > t0 && e <= t1)) continue;
                    const float centre = (from + m - (u * cu + v * cv)) / cu, reach = 1.0f / fabsf(cu) + 0.01f;
                    const int stop = min((int)floorf(centre + reach), 15);
#pragma unroll 1
                    for (int q = max((int)ceilf(centre - reach), 0); q <= stop; ++q) {
                        const float at = u + q, along = swapped ? fmaf(at, cv, -v * cu) : fmaf(-at, cv, v * cu);
                        const float place = at * cu + v * cv, depth = root(fmaf(-place, place, radius2));
                        if (!(sense * along < soon[m]) && sense * along < e)
                            cut[m * PITCH + z] += hat(place - from - m) *
                                                  power_of_two(fmaf(decay, depth, sense * decay * along)) *
                                                  of_half(&staged[16 * o + q], z & 7);
                    }
                }
                __syncwarp();
            }
        }
    }

    // the warps' sums, one after the other
    const float back = __int_as_float((254 - scale_field(*low, *high)) << 23) * gain;
    for (int w = 0; w < 4; ++w) {
        __syncthreads();
        if (warp != w) continue;
#pragma unroll
        for (int o = 0; o < 16; ++o)
#pragma unroll
            for (int k = 0; k < 4; ++k) {
                float* sum = &until[g + 8 * (k >> 1)][8 * o + 2 * t + (k & 1)];
                *sum = (w ? *sum : 0.0f) + d[o][k] + cut[(g + 8 * (k >> 1)) * PITCH + 8 * o + 2 * t + (k & 1)];
            }
    }
    __syncthreads();
    for (int k = tid; k < 16 * 128; k += 128) {
        const int bin = first + k / 128, z = z0 + k % 128;
        if (bin >= bins || z < z_first || z >= z_end) continue;
        float* at = out + ((long long)view * bins + (side ? bins - 1 - bin : bin)) * nz + z;
        *at += until[k / 128][k % 128] * back;
    }
}
