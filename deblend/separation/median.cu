// Median magnitude of some coefficients of each place and frequency. The array form is in noise.py.
//
// Defined when compiled: COUNT values, every STRIDE-th of COEFFICIENTS, and FREQUENCIES.
// One block of threads a place and frequency.

extern "C" __global__ void median_magnitude(const float2* spectrum, float* out)
{
    __shared__ float powers[COUNT];
    __shared__ float middle[2];
    const int place = blockIdx.x, frequency = blockIdx.y;
    const float2* from = spectrum + static_cast<size_t>(place) * COEFFICIENTS * FREQUENCIES;
    for (int k = threadIdx.x; k < COUNT; k += THREADS) {
        const float2 value = from[k * STRIDE * FREQUENCIES + frequency];
        powers[k] = value.x * value.x + value.y * value.y;
    }
    __syncthreads();
    for (int k = threadIdx.x; k < COUNT; k += THREADS) {
        int rank = 0;
        for (int other = 0; other < COUNT; ++other)
            rank += powers[other] < powers[k] || (powers[other] == powers[k] && other < k);
        if (rank == (COUNT - 1) / 2) middle[0] = powers[k];
        if (rank == COUNT / 2) middle[1] = powers[k];
    }
    __syncthreads();
    if (threadIdx.x == 0)
        out[static_cast<size_t>(place) * FREQUENCIES + frequency] =
            0.5f * (sqrtf(middle[0]) + sqrtf(middle[1]));
}
