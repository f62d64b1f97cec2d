// Arithmetic of the loop, element by element. The array forms are in loop.py.

extern "C" __global__ void residual_of(
    const float* record, const float* known, const float* blended, const float* before,
    float momentum, float* out, long long count)
{
    const long long at = static_cast<long long>(blockIdx.x) * blockDim.x + threadIdx.x;
    if (at >= count) return;
    const float extrapolated = blended[at] + momentum * (blended[at] - before[at]);
    out[at] = (record[at] - extrapolated) * known[at];
}

extern "C" __global__ void stepped(
    const float* estimate, const float* before, float* unexplained,
    float momentum, float step, long long count)
{
    const long long at = static_cast<long long>(blockIdx.x) * blockDim.x + threadIdx.x;
    if (at >= count) return;
    const float value = estimate[at];
    unexplained[at] = value + momentum * (value - before[at]) + step * unexplained[at];
}
