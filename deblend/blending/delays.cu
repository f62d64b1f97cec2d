// Padded windows of shots, cut from a record (channel, time) or added to it.
//
// Defined when compiled: PADDED samples of a window, LEAD of them before the trace of LENGTH.
// Shots come in the order of their first samples. One block of threads covers a part of the time of
// a shot or of the record.

extern "C" __global__ void cut_windows(
    const float* record, const float* weight, float* windows, const long long* first,
    int channels, int samples)
{
    const int k = blockIdx.x * blockDim.x + threadIdx.x;
    if (k >= PADDED) return;
    const int channel = blockIdx.y, shot = blockIdx.z;
    const long long at = first[shot] + k;
    float value = 0.0f;
    if (at >= 0 && at < samples)
        value = record[static_cast<size_t>(channel) * samples + at] * weight[at];
    windows[(static_cast<size_t>(shot) * channels + channel) * PADDED + k] = value;
}

extern "C" __global__ void gathers_from_windows(
    float* gathers, const float* windows, const int* row, int channels, float scale)
{
    const int k = blockIdx.x * blockDim.x + threadIdx.x;
    if (k >= LENGTH) return;
    const int channel = blockIdx.y, shot = blockIdx.z;
    gathers[(static_cast<size_t>(row[shot]) * channels + channel) * LENGTH + k] =
        scale * windows[(static_cast<size_t>(shot) * channels + channel) * PADDED + LEAD + k];
}

extern "C" __global__ void windows_from_gathers(
    const float* gathers, float* windows, const int* row, int channels)
{
    const int k = blockIdx.x * blockDim.x + threadIdx.x;
    if (k >= PADDED) return;
    const int channel = blockIdx.y, shot = blockIdx.z, inside = k - LEAD;
    float value = 0.0f;
    if (inside >= 0 && inside < LENGTH)
        value = gathers[(static_cast<size_t>(row[shot]) * channels + channel) * LENGTH + inside];
    windows[(static_cast<size_t>(shot) * channels + channel) * PADDED + k] = value;
}

// One thread a sample of the record from `begin` on; shots are added in their order.
extern "C" __global__ void add_windows(
    float* record, const float* windows, const long long* first, int shots,
    const int* covers_from, const int* covers_to, int shot_begin,
    int channels, int samples, int begin, int end, float scale)
{
    const int at = begin + blockIdx.x * blockDim.x + threadIdx.x, channel = blockIdx.y;
    if (at >= end) return;
    const int from = max(covers_from[at] - shot_begin, 0);
    const int to = min(covers_to[at] - shot_begin, shots);
    if (from >= to) return;
    float sum = 0.0f;
    for (int shot = from; shot < to; ++shot)
        sum += windows[
            (static_cast<size_t>(shot) * channels + channel) * PADDED + (at - first[shot])];
    record[static_cast<size_t>(channel) * samples + at] += scale * sum;
}
