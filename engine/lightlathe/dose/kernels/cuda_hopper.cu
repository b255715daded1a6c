// The dose kernels for compute capability 9.0: warp-group matrix instructions fed by bulk copies.
// Built at first use by dose/kernels/cuda_hopper.py. No header is needed.
//
// Light lies as halves [direction][view, opposite][z/8][bin][8]: eight slices of one bin are 16 bytes, so a window
// of bins may start anywhere and is one box of a bulk tensor copy. The opposite view's bins run backwards there,
// so both views of a direction are read with the same weights but for the light that is left.
//
// Voxels lie as halves twice, [y][z/8][x][8] and [x][z/8][y][8], so that a run of 8 voxels either way is one box of a
// bulk tensor copy. Two runs, of any two lines, are the inner dimension of one matrix instruction.
//
// `middle` is the bin at the axis, a multiple of 2^-11, so that no bin counted from it is rounded. Where it is not the
// middle of the view, every view is a direction of its own, without an opposite.
//
// Compiled with these names defined, by dose/kernels/cuda_hopper.py:
// WINDOW  bins of a view that a tile of 16 x 16 voxels may read: 24, 32 or 48
// STEPS   inner products of 16 bins that an 8 x 8 tile takes at most: 1 or 2
// KNOTS   0: a pixel's light falls linearly to its neighbours; else knots a bin of the profile that it has
// ENDS    1: chords end at inserts; bins of `ends` lie as in the light, MARGIN more on either side. 2: as 1, but the views
//         that `behind` names are left out of a tile's dose: for inserts that differ from slice to slice

typedef unsigned int u32;
typedef unsigned long long u64;

constexpr int OCTETS = 16;                       // 128 slices a block
constexpr int SIDE_BYTES = OCTETS * WINDOW * 16; // one view of one direction
constexpr int STAGE_BYTES = 2 * SIDE_BYTES;
constexpr int STAGES = 384 / WINDOW;
constexpr int MARGIN = 64;                       // bins without an end on either side of a view
constexpr int FROM = 9 + 16 * STEPS, TO = 16 * STEPS;  // bins before and behind the middle of a profile, read at most
constexpr int PROFILE = KNOTS ? (FROM + TO + 1) * KNOTS : 1;
constexpr int GROUPS = 4;                        // warp groups, 8 x 8 voxels each

__device__ __forceinline__ u32 address(const void* p) { return (u32)__cvta_generic_to_shared(p); }
__device__ __forceinline__ void barrier_init(u32 at, u32 count) {
    asm volatile("mbarrier.init.shared::cta.b64 [%0], %1;" ::"r"(at), "r"(count));
}
__device__ __forceinline__ void barrier_arrive(u32 at) {
    asm volatile("mbarrier.arrive.shared::cta.b64 _, [%0];" ::"r"(at) : "memory");
}
__device__ __forceinline__ void barrier_expect(u32 at, u32 bytes) {
    asm volatile("mbarrier.arrive.expect_tx.shared::cta.b64 _, [%0], %1;" ::"r"(at), "r"(bytes) : "memory");
}
__device__ __forceinline__ void barrier_wait(u32 at, u32 parity) {
    asm volatile("{\n.reg .pred p;\nagain:\nmbarrier.try_wait.parity.shared::cta.b64 p, [%0], %1;\n@p bra done;\n"
                 "bra again;\ndone:\n}" ::"r"(at), "r"(parity) : "memory");
}
struct alignas(64) Map { u64 opaque[16]; };  // a CUtensorMap
__device__ __forceinline__ void box_copy(u32 to, const Map* map, int inner, int octet, int outer, u32 barrier) {
    asm volatile("cp.async.bulk.tensor.3d.shared::cluster.global.mbarrier::complete_tx::bytes [%0], [%1, {%2, %3, %4}], "
                 "[%5];" ::"r"(to), "l"(map), "r"(inner), "r"(octet), "r"(outer), "r"(barrier) : "memory");
}
__device__ __forceinline__ float power_of_two(float x) { float y; asm("ex2.approx.ftz.f32 %0, %1;" : "=f"(y) : "f"(x)); return y; }
__device__ __forceinline__ float root(float x) { float y; asm("sqrt.approx.ftz.f32 %0, %1;" : "=f"(y) : "f"(fabsf(x))); return y; }
__device__ __forceinline__ u32 halves(float low, float high) {
    u32 y;
    asm("cvt.rn.f16x2.f32 %0, %1, %2;" : "=r"(y) : "f"(high), "f"(low));
    return y;
}
__device__ __forceinline__ int scale_field(float low, float high) {  // as _scale in triton_kernels.py
    return min(267 - ((__float_as_int(fmaxf(-low, high)) >> 23) & 255), 253);
}
__device__ __forceinline__ float hat(float x) { return __saturatef(1.0f - fabsf(x)); }

// What places take of bins: linear between the knots of the profile, of which each is the value half way to the next one
// and how much more that has.
struct Share {
    u32 knot;
    float part;
    __device__ __forceinline__ Share(u32 profile, float away) {
#if KNOTS
        const float whole = 12582912.0f;  // adding it rounds to an integer, which its last bits then are
        const float at = fmaf(fminf(fmaxf(away, -16.0f), (float)TO), KNOTS, FROM * KNOTS - 0.5f), near = at + whole;
        knot = profile + 8 * (__float_as_uint(near) - __float_as_uint(whole));
        part = at - (near - whole);
#else
        part = away;
#endif
    }
    template <int BIN> __device__ __forceinline__ float of() const {  // so many behind the one that `away` is counted from
#if KNOTS
        float middle, more;  // not volatile: may be read early, as nothing writes there once places are known
        asm("ld.shared.v2.f32 {%0, %1}, [%2 + %3];" : "=f"(middle), "=f"(more) : "r"(knot), "n"(-8 * BIN * KNOTS));
        return fmaf(part, more, middle);
#else
        return hat(part - (float)BIN);
#endif
    }
};

__device__ __forceinline__ void take_profile(float2* profile, const float2* given) {
    for (int k = threadIdx.x; k < PROFILE; k += blockDim.x) profile[k] = KNOTS ? given[k] : make_float2(0.0f, 0.0f);
}

// all bits of a half where light reaches t, for two bins side by side
__device__ __forceinline__ u32 lit(float t, float end, float next) {
    return (t < end ? 0xffffu : 0u) | (t < next ? 0xffff0000u : 0u);
}

// d = d * add + a @ b, add 0 or 1: a 64 x 16 halves in registers, b 16 x 128 halves in shared memory, slices contiguous
__device__ __forceinline__ void multiply(float (&d)[64], const u32 (&a)[4], u64 b, int add) {
    asm volatile(
        "{\n.reg .pred p;\nsetp.ne.b32 p, %69, 0;\n"
        "wgmma.mma_async.sync.aligned.m64n128k16.f32.f16.f16 {%0, %1, %2, %3, %4, %5, %6, %7, %8, %9, %10, %11, %12, %13, %14, %15, %16, %17, %18, %19, %20, %21, %22, %23, %24, %25, %26, %27, %28, %29, %30, %31, %32, %33, %34, %35, %36, %37, %38, %39, %40, %41, %42, %43, %44, %45, %46, %47, %48, %49, %50, %51, %52, %53, %54, %55, %56, %57, %58, %59, %60, %61, %62, %63}, {%64, %65, %66, %67}, %68, p, 1, 1, 1;\n}\n"
        : "+f"(d[0]), "+f"(d[1]), "+f"(d[2]), "+f"(d[3]), "+f"(d[4]), "+f"(d[5]), "+f"(d[6]), "+f"(d[7]),
          "+f"(d[8]), "+f"(d[9]), "+f"(d[10]), "+f"(d[11]), "+f"(d[12]), "+f"(d[13]), "+f"(d[14]), "+f"(d[15]),
          "+f"(d[16]), "+f"(d[17]), "+f"(d[18]), "+f"(d[19]), "+f"(d[20]), "+f"(d[21]), "+f"(d[22]), "+f"(d[23]),
          "+f"(d[24]), "+f"(d[25]), "+f"(d[26]), "+f"(d[27]), "+f"(d[28]), "+f"(d[29]), "+f"(d[30]), "+f"(d[31]),
          "+f"(d[32]), "+f"(d[33]), "+f"(d[34]), "+f"(d[35]), "+f"(d[36]), "+f"(d[37]), "+f"(d[38]), "+f"(d[39]),
          "+f"(d[40]), "+f"(d[41]), "+f"(d[42]), "+f"(d[43]), "+f"(d[44]), "+f"(d[45]), "+f"(d[46]), "+f"(d[47]),
          "+f"(d[48]), "+f"(d[49]), "+f"(d[50]), "+f"(d[51]), "+f"(d[52]), "+f"(d[53]), "+f"(d[54]), "+f"(d[55]),
          "+f"(d[56]), "+f"(d[57]), "+f"(d[58]), "+f"(d[59]), "+f"(d[60]), "+f"(d[61]), "+f"(d[62]), "+f"(d[63])
        : "r"(a[0]), "r"(a[1]), "r"(a[2]), "r"(a[3]), "l"(b), "r"(add));
}

// the same with 256 slices
__device__ __forceinline__ void multiply(float (&d)[128], const u32 (&a)[4], u64 b, int add) {
    asm volatile(
        "{\n.reg .pred p;\nsetp.ne.b32 p, %133, 0;\n"
        "wgmma.mma_async.sync.aligned.m64n256k16.f32.f16.f16 {%0, %1, %2, %3, %4, %5, %6, %7, %8, %9, %10, %11, %12, %13, %14, %15, %16, %17, %18, %19, %20, %21, %22, %23, %24, %25, %26, %27, %28, %29, %30, %31, %32, %33, %34, %35, %36, %37, %38, %39, %40, %41, %42, %43, %44, %45, %46, %47, %48, %49, %50, %51, %52, %53, %54, %55, %56, %57, %58, %59, %60, %61, %62, %63, %64, %65, %66, %67, %68, %69, %70, %71, %72, %73, %74, %75, %76, %77, %78, %79, %80, %81, %82, %83, %84, %85, %86, %87, %88, %89, %90, %91, %92, %93, %94, %95, %96, %97, %98, %99, %100, %101, %102, %103, %104, %105, %106, %107, %108, %109, %110, %111, %112, %113, %114, %115, %116, %117, %118, %119, %120, %121, %122, %123, %124, %125, %126, %127}, {%128, %129, %130, %131}, %132, p, 1, 1, 1;\n}\n"
        : "+f"(d[0]), "+f"(d[1]), "+f"(d[2]), "+f"(d[3]), "+f"(d[4]), "+f"(d[5]), "+f"(d[6]), "+f"(d[7]),
          "+f"(d[8]), "+f"(d[9]), "+f"(d[10]), "+f"(d[11]), "+f"(d[12]), "+f"(d[13]), "+f"(d[14]), "+f"(d[15]),
          "+f"(d[16]), "+f"(d[17]), "+f"(d[18]), "+f"(d[19]), "+f"(d[20]), "+f"(d[21]), "+f"(d[22]), "+f"(d[23]),
          "+f"(d[24]), "+f"(d[25]), "+f"(d[26]), "+f"(d[27]), "+f"(d[28]), "+f"(d[29]), "+f"(d[30]), "+f"(d[31]),
          "+f"(d[32]), "+f"(d[33]), "+f"(d[34]), "+f"(d[35]), "+f"(d[36]), "+f"(d[37]), "+f"(d[38]), "+f"(d[39]),
          "+f"(d[40]), "+f"(d[41]), "+f"(d[42]), "+f"(d[43]), "+f"(d[44]), "+f"(d[45]), "+f"(d[46]), "+f"(d[47]),
          "+f"(d[48]), "+f"(d[49]), "+f"(d[50]), "+f"(d[51]), "+f"(d[52]), "+f"(d[53]), "+f"(d[54]), "+f"(d[55]),
          "+f"(d[56]), "+f"(d[57]), "+f"(d[58]), "+f"(d[59]), "+f"(d[60]), "+f"(d[61]), "+f"(d[62]), "+f"(d[63]),
          "+f"(d[64]), "+f"(d[65]), "+f"(d[66]), "+f"(d[67]), "+f"(d[68]), "+f"(d[69]), "+f"(d[70]), "+f"(d[71]),
          "+f"(d[72]), "+f"(d[73]), "+f"(d[74]), "+f"(d[75]), "+f"(d[76]), "+f"(d[77]), "+f"(d[78]), "+f"(d[79]),
          "+f"(d[80]), "+f"(d[81]), "+f"(d[82]), "+f"(d[83]), "+f"(d[84]), "+f"(d[85]), "+f"(d[86]), "+f"(d[87]),
          "+f"(d[88]), "+f"(d[89]), "+f"(d[90]), "+f"(d[91]), "+f"(d[92]), "+f"(d[93]), "+f"(d[94]), "+f"(d[95]),
          "+f"(d[96]), "+f"(d[97]), "+f"(d[98]), "+f"(d[99]), "+f"(d[100]), "+f"(d[101]), "+f"(d[102]), "+f"(d[103]),
          "+f"(d[104]), "+f"(d[105]), "+f"(d[106]), "+f"(d[107]), "+f"(d[108]), "+f"(d[109]), "+f"(d[110]), "+f"(d[111]),
          "+f"(d[112]), "+f"(d[113]), "+f"(d[114]), "+f"(d[115]), "+f"(d[116]), "+f"(d[117]), "+f"(d[118]), "+f"(d[119]),
          "+f"(d[120]), "+f"(d[121]), "+f"(d[122]), "+f"(d[123]), "+f"(d[124]), "+f"(d[125]), "+f"(d[126]), "+f"(d[127])
        : "r"(a[0]), "r"(a[1]), "r"(a[2]), "r"(a[3]), "l"(b), "r"(add));
}

// eight slices of one row, scaled, as halves; zeros beyond its `left` slices
__device__ __forceinline__ uint4 octet_of(const float* row, int left, bool aligned, float scale) {
    float v[8];
    if (aligned && left >= 8) {
        const float4 p = ((const float4*)row)[0], q = ((const float4*)row)[1];
        v[0] = p.x, v[1] = p.y, v[2] = p.z, v[3] = p.w, v[4] = q.x, v[5] = q.y, v[6] = q.z, v[7] = q.w;
    } else {
#pragma unroll
        for (int k = 0; k < 8; ++k) v[k] = k < left ? row[k] : 0.0f;
    }
#pragma unroll
    for (int k = 0; k < 8; ++k) v[k] *= scale;
    return {halves(v[0], v[1]), halves(v[2], v[3]), halves(v[4], v[5]), halves(v[6], v[7])};
}

extern "C" __global__ void light_to_halves(const float* x, const float* low, const float* high, const int* member,
                                           uint4* out, int bins, int nz, int octets) {
    const int bin = blockIdx.x * 32 + threadIdx.x, octet = blockIdx.y * blockDim.y + threadIdx.y;
    const int view = member[blockIdx.z];
    if (bin >= bins || octet >= octets) return;
    const int from = blockIdx.z & 1 ? bins - 1 - bin : bin;
        const float scale = __int_as_float(scale_field(*low, *high) << 23);
    const float* row = x + ((long long)max(view, 0) * bins + from) * nz + octet * 8;
    const uint4 h = octet_of(row, view >= 0 ? nz - octet * 8 : 0, nz % 4 == 0, scale);
    out[((long long)blockIdx.z * octets + octet) * bins + bin] = h;
}

extern "C" __global__ void __launch_bounds__(GROUPS * 128 + 128, 1)
deposit(const __grid_constant__ Map light, const float* table, const float* low, const float* high, float* dose,
        int nx, int ny, int nz, int bins, int directions, float middle, float radius, float decay, int limit,
        float gain, const float2* profile_given, float support, const float* ends, const float* soonest,
        const unsigned char* behind, int z_first, int z_end) {
    extern __shared__ __align__(128) unsigned char shared[];
    __shared__ __align__(8) u64 full[STAGES], empty[STAGES];
    __shared__ float2 profile[PROFILE];
    float4* info = (float4*)(shared + STAGES * STAGE_BYTES);  // c, s, first bin from the centre, offsets of the groups
    unsigned char* states = (unsigned char*)(info + directions);  // of each group and view, a bit: a chord ends
    const float narrow = (15.98f - 2.0f * support) * (1.0f / 7.0f);  // |c| + |s| up to which 16 bins hold a group
    const int z0 = (z_first & ~7) + blockIdx.y * 128;
    const int tid = threadIdx.x, warp = tid >> 5, lane = tid & 31;
    const int tiles = (ny + 15) / 16;
    const int i0 = blockIdx.x / tiles * 16, j0 = blockIdx.x % tiles * 16;
    const float x_mid = (nx - 1) * 0.5f, y_mid = (ny - 1) * 0.5f;

    // a tile with no voxel in the vial is dark
    bool inside = false;
    if (tid < 256) {
        const int i = i0 + tid / 16, j = j0 + tid % 16, x2 = 2 * i - nx + 1, y2 = 2 * j - ny + 1;
        inside = i < nx && j < ny && x2 * x2 + y2 * y2 <= limit;
    }
    if (!__syncthreads_or(inside)) {
        for (int p = 0; p < 256; ++p) {
            const int i = i0 + p / 16, j = j0 + p % 16, z = z0 + tid;
            if (i < nx && j < ny && tid < 128 && z >= z_first && z < z_end) dose[((long long)i * ny + j) * nz + z] = 0.0f;
        }
        return;
    }
    for (int a = tid; a < directions; a += blockDim.x) {
        const float c = table[4 * a] + table[4 * a + 2], s = table[4 * a + 1] + table[4 * a + 3];
        const float reach = fabsf(c) + fabsf(s);
        const float before = middle + 0.99f - support;
        const float lowest = (i0 + 7.5f - x_mid) * c + (j0 + 7.5f - y_mid) * s - 7.5f * reach;
        const int first = min(max((int)floorf(lowest + before), -WINDOW), bins);
        const int read = STEPS == 2 && reach > narrow ? 32 : 16;
        int offsets = 0, state = 0;
        for (int g = 0; g < GROUPS; ++g) {
            const float x = i0 + (g >> 1) * 8 + 3.5f - x_mid, y = j0 + (g & 1) * 8 + 3.5f - y_mid;
            const int own = (int)floorf(x * c + y * s - 3.5f * reach + before);
            const int offset = min(max(own - first, 0), WINDOW - read);
            offsets |= offset << (8 * g);
            const int i_tile = i0 / 8 + (g >> 1), j_tile = j0 / 8 + (g & 1), row = (ny + 7) / 8;
            if (ENDS == 2 && 8 * i_tile < nx && 8 * j_tile < ny)
                for (int side = 0; side < 2; ++side)
                    state |= behind[((long long)i_tile * row + j_tile) * 2 * directions + 2 * a + side] << (2 * g + side);
            if (ENDS == 1)
                for (int side = 0; side < 2; ++side) {
                    const long long at = (long long)(2 * a + side) * (bins + 2 * MARGIN) + MARGIN + first + offset;
                    const float t = (side ? -1.0f : 1.0f) * (y * c - x * s) + 3.5f * reach + 0.01f;
                    state |= (soonest[at] <= t) << (2 * g + side);
                }
        }
        info[a] = make_float4(c, s, first - middle, __int_as_float(offsets));
        if (ENDS) states[a] = state;
    }
    take_profile(profile, profile_given);
    if (tid == 0) {
        for (int k = 0; k < STAGES; ++k) {
            barrier_init(address(&full[k]), 1);
            barrier_init(address(&empty[k]), GROUPS * 4);
        }
        asm volatile("fence.proxy.async.shared::cta;" ::: "memory");
    }
    __syncthreads();

    if (warp >= GROUPS * 4) {
        asm volatile("setmaxnreg.dec.sync.aligned.u32 24;");
        if (warp > GROUPS * 4) return;
        // the producer; bins and slices that do not exist arrive as zeros
        if (lane == 0)
            for (int a = 0; a < directions; ++a) {
                const u32 stage = a % STAGES, to = address(shared) + stage * STAGE_BYTES, bar = address(&full[stage]);
                const int first = __float2int_rn(info[a].z + middle);
                if (a >= STAGES) barrier_wait(address(&empty[stage]), (a / STAGES - 1) & 1);
                barrier_expect(bar, STAGE_BYTES);
                box_copy(to, &light, first * 4, z0 / 8, 2 * a, bar);
                box_copy(to + SIDE_BYTES, &light, first * 4, z0 / 8, 2 * a + 1, bar);
            }
        return;
    }
    asm volatile("setmaxnreg.inc.sync.aligned.u32 112;");

    // a warp group: lane holds voxels (i, j) and (i + 1, j), and of the 16 bins 2t, 2t+1, 2t+8, 2t+9
    const int group = warp >> 2, t = lane & 3;
    const int i = i0 + (group >> 1) * 8 + (warp & 3) * 2, j = j0 + (group & 1) * 8 + (lane >> 2);
    const float x = i - x_mid, y = j - y_mid, radius2 = radius * radius;
    float d[64];
    const u64 strides = (u64)(128 >> 4) << 16 | (u64)(WINDOW * 16 >> 4) << 32;  // 8 bins on, 8 slices on

#pragma unroll 2
    for (int a = 0; a < directions; ++a) {
        const u32 stage = a % STAGES;
        const float4 q = info[a];
        const u32 offset = __float_as_uint(q.w) >> (8 * group) & 255;
        const u32 state = ENDS ? states[a] >> (2 * group) & 3 : 0;
        const bool two = STEPS == 2 && fabsf(q.x) + fabsf(q.y) > narrow;
        const float start = q.z + (float)(offset + 2 * t);
        u32 there[4 * STEPS], across[4 * STEPS];
#pragma unroll
        for (int n = 0; n < 2; ++n) {
            const float xn = x + n, place = fmaf(xn, q.x, y * q.y), t_decay = decay * fmaf(y, q.x, -xn * q.y);
            const float depth = root(fmaf(-place, place, radius2));
            const float left = power_of_two(fmaf(decay, depth, t_decay)), right = power_of_two(fmaf(decay, depth, -t_decay));
            const Share share(address(profile), place - start);
            const float h0 = share.of<0>(), h1 = share.of<1>(), h2 = share.of<8>(), h3 = share.of<9>();
            there[n] = halves(h0 * left, h1 * left), there[n + 2] = halves(h2 * left, h3 * left);
            across[n] = halves(h0 * right, h1 * right), across[n + 2] = halves(h2 * right, h3 * right);
            if (STEPS == 2 && two) {
                const float h4 = share.of<16>(), h5 = share.of<17>(), h6 = share.of<24>(), h7 = share.of<25>();
                there[4 * STEPS - 4 + n] = halves(h4 * left, h5 * left);
                there[4 * STEPS - 2 + n] = halves(h6 * left, h7 * left);
                across[4 * STEPS - 4 + n] = halves(h4 * right, h5 * right);
                across[4 * STEPS - 2 + n] = halves(h6 * right, h7 * right);
            }
        }
        if (ENDS == 2) {
#pragma unroll
            for (int k = 0; k < 4; ++k) {
                if (state & 1) there[k] = 0;
                if (state & 2) across[k] = 0;
            }
        }
        if (ENDS == 1 && state) {
            const long long wide = bins + 2 * MARGIN;
            const float* end = ends + 2 * a * wide + MARGIN + __float2int_rn(start + middle);
#pragma unroll
            for (int k = 0; k < 2 * STEPS; ++k)
#pragma unroll
                for (int n = 0; n < 2; ++n) {
                    const float along = fmaf(y, q.x, -(x + n) * q.y);
                    if (k < 2 || two) {
                        if (state & 1) there[2 * k + n] &= lit(along, end[8 * k], end[8 * k + 1]);
                        if (state & 2) across[2 * k + n] &= lit(-along, end[wide + 8 * k], end[wide + 8 * k + 1]);
                    }
                }
        }
        barrier_wait(address(&full[stage]), (a / STAGES) & 1);
        const u32 at = (address(shared) >> 4) + stage * (STAGE_BYTES >> 4) + offset;
        asm volatile("wgmma.fence.sync.aligned;" ::: "memory");
        multiply(d, *(u32(*)[4])there, strides | at, a > 0);
        multiply(d, *(u32(*)[4])across, strides | (at + (SIDE_BYTES >> 4)), 1);
        if (STEPS == 2 && two) {
            asm volatile("wgmma.fence.sync.aligned;" ::: "memory");
            multiply(d, *(u32(*)[4])(there + 4 * STEPS - 4), strides | (at + 16), 1);
            multiply(d, *(u32(*)[4])(across + 4 * STEPS - 4), strides | (at + 16 + (SIDE_BYTES >> 4)), 1);
        }
        asm volatile("wgmma.commit_group.sync.aligned;" ::: "memory");
        asm volatile("wgmma.wait_group.sync.aligned 1;" ::: "memory");
        if (a > 0 && lane == 0) barrier_arrive(address(&empty[(a - 1) % STAGES]));
    }
    asm volatile("wgmma.wait_group.sync.aligned 0;" ::: "memory");

    const float back = __int_as_float((254 - scale_field(*low, *high)) << 23);
#pragma unroll
    for (int n = 0; n < 2; ++n) {
        const int x2 = 2 * (i + n) - nx + 1, y2 = 2 * j - ny + 1;
        if (i + n >= nx || j >= ny) continue;
        const float keep = x2 * x2 + y2 * y2 <= limit;
        float* row = dose + ((long long)(i + n) * ny + j) * nz;
#pragma unroll
        for (int k = 0; k < 16; ++k) {
            const int z = z0 + k * 8 + 2 * t;
            const float one = keep ? d[4 * k + 2 * n] * back * gain : 0.0f,
                        two = keep ? d[4 * k + 2 * n + 1] * back * gain : 0.0f;
            if (nz % 2 == 0 && z >= z_first && z + 1 < z_end) *(float2*)(row + z) = make_float2(one, two);
            else {
                if (z >= z_first && z < z_end) row[z] = one;
                if (z + 1 >= z_first && z + 1 < z_end) row[z + 1] = two;
            }
        }
    }
}

constexpr int MEMBERS = 8;           // directions gathered together: with both views and 8 bins, 128 rows
constexpr int RUN = 8;               // voxels
constexpr int RUN_BYTES = 32 * 128;  // 32 octets of slices
constexpr int PAIR_BYTES = 2 * RUN_BYTES;
constexpr int PAIRS = 20;
constexpr int RUNS = 5000;           // of one strip in one block; SPREAD_RAD keeps them below 4000

extern "C" __global__ void voxels_to_halves(const float* x, const float* low, const float* high, uint4* by_x,
                                            uint4* by_y, int nx, int ny, int nz, int octets, int limit) {
    __shared__ uint4 tile[4][16][17];
    const float scale = __int_as_float(scale_field(*low, *high) << 23);
    const int i = blockIdx.x * 16 + threadIdx.y, j = blockIdx.y * 16 + threadIdx.x;
    const int x2 = 2 * i - nx + 1, y2 = 2 * j - ny + 1;
    const bool held = i < nx && j < ny && x2 * x2 + y2 * y2 <= limit;
    const int turned_i = blockIdx.x * 16 + threadIdx.x, turned_j = blockIdx.y * 16 + threadIdx.y;
    const int first = blockIdx.z * 4, some = min(4, octets - first);
    const float* row = x + ((long long)i * ny + j) * nz + first * 8;
    uint4 h[4];
#pragma unroll
    for (int o = 0; o < 4; ++o) h[o] = octet_of(row + o * 8, held ? nz - (first + o) * 8 : 0, nz % 4 == 0, scale);
#pragma unroll
    for (int o = 0; o < 4; ++o) {
        if (i < nx && j < ny && o < some) by_y[((long long)i * octets + first + o) * ny + j] = h[o];
        tile[o][threadIdx.y][threadIdx.x] = h[o];
    }
    __syncthreads();
    if (turned_i < nx && turned_j < ny)
        for (int o = 0; o < some; ++o)
            by_x[((long long)turned_j * octets + first + o) * nx + turned_i] = tile[o][threadIdx.x][threadIdx.y];
}

// adds where the memory is, without waiting for what was there
__device__ __forceinline__ void add(float* at, float one, float two) {
    asm volatile("red.relaxed.gpu.global.add.v2.f32 [%0], {%1, %2};" ::"l"(at), "f"(one), "f"(two) : "memory");
}

// the sums of one warp: its direction's two views, 8 bins, 256 slices
template <bool SWAPPED>
__device__ __forceinline__ void gather(float (&d)[128], const float4* runs, int pairs, u32 stages, const u64* full,
                                       const u64* empty, float c, float s, float start, float radius2, float decay,
                                       u32 profile, float end, float end_across) {
    const int lane = threadIdx.x & 31, t = lane & 3;
    const u64 strides = (u64)(RUN_BYTES >> 4) << 16 | (u64)(128 >> 4) << 32;  // 8 voxels on, 8 slices on
    const float c_decay = c * decay, s_decay = s * decay;
    u32 stage = 0, turn = 0, last = 0;
#pragma unroll 2
    for (int k = 0; k < pairs; ++k) {
        const float4 run = runs[k];
        u32 a[4];
#pragma unroll
        for (int h = 0; h < 2; ++h) {
            const float v = h ? run.w : run.y;
            float left[2], right[2];
#pragma unroll
            for (int n = 0; n < 2; ++n) {
                const float u = (h ? run.z : run.x) + (float)(2 * t + n), x = SWAPPED ? v : u, y = SWAPPED ? u : v;
                const float place = fmaf(x, c, y * s), depth = root(fmaf(-place, place, radius2));
                const float t_decay = SWAPPED ? fmaf(y, c_decay, -x * s_decay) : fmaf(-x, s_decay, y * c_decay);
                const float w = Share(profile, place - start).of<0>();
                left[n] = w * power_of_two(fmaf(decay, depth, t_decay));
                right[n] = w * power_of_two(fmaf(decay, depth, -t_decay));
                if (ENDS) {
                    const float along = SWAPPED ? fmaf(y, c, -x * s) : fmaf(-x, s, y * c);
                    left[n] = along < end ? left[n] : 0.0f;
                    right[n] = -along < end_across ? right[n] : 0.0f;
                }
            }
            a[2 * h] = halves(left[0], left[1]), a[2 * h + 1] = halves(right[0], right[1]);
        }
        barrier_wait(address(full) + 8 * stage, turn);
        const u32 at = (stages >> 4) + stage * (PAIR_BYTES >> 4);
        asm volatile("wgmma.fence.sync.aligned;" ::: "memory");
        multiply(d, a, strides | at, k > 0);
        asm volatile("wgmma.commit_group.sync.aligned;" ::: "memory");
        asm volatile("wgmma.wait_group.sync.aligned 1;" ::: "memory");
        if (k > 0 && lane == 0) barrier_arrive(address(empty) + 8 * last);
        last = stage;
        if (++stage == PAIRS) stage = 0, turn ^= 1;
    }
    asm volatile("wgmma.wait_group.sync.aligned 0;" ::: "memory");
}

extern "C" __global__ void __launch_bounds__(384, 1)
collect(const __grid_constant__ Map by_x, const __grid_constant__ Map by_y, const float* table, const int* member,
        const int* main_axis, const float* low, const float* high, float* out, int nx, int ny, int nz, int bins,
        int strips, int x0, int x1, int y0, int y1, float middle, float radius, float decay, int limit, float gain,
        const float2* profile_given, float support, const float* ends, int z_first, int z_end) {
    extern __shared__ __align__(128) unsigned char shared[];
    __shared__ __align__(8) u64 full[PAIRS], empty[PAIRS];
    __shared__ int counted[12];
    __shared__ float2 profile[PROFILE];
    const int z0 = (z_first & ~7) + blockIdx.y * 256;
    float2* runs = (float2*)(shared + PAIRS * PAIR_BYTES);  // where each begins, u and v from the grid's centre
    const int tid = threadIdx.x, warp = tid >> 5, lane = tid & 31;
    const int group = blockIdx.x / strips, strip = 8 * (blockIdx.x % strips) - 4 * strips;
    const bool swapped = main_axis[group];
    const int u0 = swapped ? y0 : x0, u1 = swapped ? y1 : x1, v0 = swapped ? x0 : y0, v1 = swapped ? x1 : y1;
    const float u_mid = ((swapped ? ny : nx) - 1) * 0.5f, v_mid = ((swapped ? nx : ny) - 1) * 0.5f;
    const float uc = (u0 + u1 - 1) * 0.5f - u_mid, vc = (v0 + v1 - 1) * 0.5f - v_mid;
    table += group * MEMBERS * 6;

    // the runs of one line, from the furthest ends of the strip over all directions, inside block and vial
    float from = 1e9f, to = -1e9f, lowest = 1e9f, highest = -1e9f;
    const float v = v0 + tid - v_mid;
    for (int q = 0; q < MEMBERS; ++q) {
        const float first = floorf(fmaf(uc, table[6 * q], vc * table[6 * q + 1]) + middle) + strip;
        const float stretch = table[6 * q + 5];
        const float at = (first - middle + 3.5f) * stretch + v * table[6 * q + 4];
        const float reach = (3.5f + support) * fabsf(stretch) + 0.02f;
        from = fminf(from, at - reach), to = fmaxf(to, at + reach);
        lowest = fminf(lowest, first), highest = fmaxf(highest, first);
    }
    const float chord = sqrtf(fmaxf(limit - 4.0f * v * v, 0.0f)) * 0.5f + 0.01f;
    from = fmaxf(from, -chord), to = fminf(to, chord);
    int start = max((int)ceilf(from + u_mid), u0) & ~1;
    const int stop = min((int)floorf(to + u_mid), u1 - 1);
    const bool crossed = v0 + tid < v1 && 4.0f * v * v <= limit && highest > -8.0f && lowest < bins;
    const int number = crossed && stop >= start ? (stop - start) / RUN + 1 : 0;
    // a run must not reach into the next block; where the grid ends the copy brings zeros
    if (u1 < (swapped ? ny : nx)) start = max(min(start, u1 - number * RUN), u0);
    int before = number;
    for (int k = 1; k < 32; k *= 2) {
        const int other = __shfl_up_sync(~0u, before, k);
        if (lane >= k) before += other;
    }
    if (lane == 31) counted[warp] = before;
    take_profile(profile, profile_given);
    if (tid == 0) {
        for (int k = 0; k < PAIRS; ++k) {
            barrier_init(address(&full[k]), 1);
            barrier_init(address(&empty[k]), 8);
        }
        asm volatile("fence.proxy.async.shared::cta;" ::: "memory");
    }
    __syncthreads();
    int total = 0;
    for (int k = 0; k < 12; ++k) {
        if (k < warp) before += counted[k];
        total += counted[k];
    }
    if (total == 0) return;
    if (total + 1 > RUNS) __trap();
    for (int k = 0; k < number; ++k) runs[before - number + k] = make_float2(start + k * RUN - u_mid, v);
    if (tid == 0) runs[total] = make_float2(u_mid + 1.0f, 0.0f);  // beyond the grid: zeros
    __syncthreads();
    const int pairs = (total + 1) / 2;

    if (warp >= 8) {
        asm volatile("setmaxnreg.dec.sync.aligned.u32 40;");
        if (lane == 0) {  // four producers take turns
            const Map* map = swapped ? &by_y : &by_x;
            u32 stage = warp - 8, turn = 1;
            for (int k = warp - 8; k < pairs; k += 4) {
                const float4 run = ((const float4*)runs)[k];
                const u32 bar = address(full) + 8 * stage, to = address(shared) + stage * PAIR_BYTES;
                const int u = (int)(run.x + u_mid) * 8, v = (int)(run.y + v_mid);
                const int u2 = (int)(run.z + u_mid) * 8, v2 = (int)(run.w + v_mid);
                if (k >= PAIRS) barrier_wait(address(empty) + 8 * stage, turn);
                barrier_expect(bar, PAIR_BYTES);
                box_copy(to, map, u, z0 / 8, v, bar);
                box_copy(to + RUN_BYTES, map, u2, z0 / 8, v2, bar);
                if ((stage += 4) >= PAIRS) stage -= PAIRS, turn ^= 1;
            }
        }
        return;
    }
    asm volatile("setmaxnreg.inc.sync.aligned.u32 232;");

    const float* own = table + 6 * warp;  // a warp, a direction
    const float cu = own[0] + own[2], cv = own[1] + own[3];
    const int first = (int)floorf(fmaf(uc, own[0], vc * own[1]) + middle) + strip + (lane >> 2);
    float end = 0.0f, end_across = 0.0f;
    if (ENDS && first >= 0 && first < bins) {
        const long long row = (group * MEMBERS + warp) * 2ll * (bins + 2 * MARGIN) + MARGIN + first;
        end = ends[row], end_across = ends[row + bins + 2 * MARGIN];
    }
    float d[128];
    if (swapped)
        gather<true>(d, (const float4*)runs, pairs, address(shared), full, empty, cv, cu, first - middle, radius * radius,
                     decay, address(profile), end, end_across);
    else
        gather<false>(d, (const float4*)runs, pairs, address(shared), full, empty, cu, cv, first - middle,
                      radius * radius, decay, address(profile), end, end_across);

    const float back = __int_as_float((254 - scale_field(*low, *high)) << 23);
    if (first < 0 || first >= bins) return;
#pragma unroll
    for (int n = 0; n < 2; ++n) {
        const int view = member[(group * MEMBERS + warp) * 2 + n];
        if (view < 0) continue;
        const int z = z0 + 2 * (lane & 3);
        float* row = out + ((long long)view * bins + (n ? bins - 1 - first : first)) * nz + z;
        // no other program adds to this row in this launch: the order of sums is that of the blocks, whatever the timing
#pragma unroll
        for (int k = 0; k < 32; ++k) {
            const float one = d[4 * k + 2 * n] * back * gain, two = d[4 * k + 2 * n + 1] * back * gain;
            if (nz % 2 == 0 && z + 8 * k >= z_first && z + 8 * k + 1 < z_end) add(row + 8 * k, one, two);
            else {
                if (z + 8 * k >= z_first && z + 8 * k < z_end) atomicAdd(row + 8 * k, one);
                if (z + 8 * k + 1 >= z_first && z + 8 * k + 1 < z_end) atomicAdd(row + 8 * k + 1, two);
            }
        }
    }
}
