// Weighted windows cut out of gathers (source, slot, channel, time), and added back.
//
// Defined when compiled: SOURCES; SLOTS, CHANNELS, SAMPLES of a window.
// A run holds all windows of one window along slots, `channel_count` windows along channels from
// `channel_first` on, and all `time_count` windows along time. The lists of an axis:
// start (window), weight (window, size), and first and stop (place): windows that cover a place.

constexpr int WINDOW = SLOTS * CHANNELS * SAMPLES;

// One block of threads a patch and source. Patches behind the last one of the run become zero.
extern "C" __global__ void cut_windows(
    const float* gathers, float* patches,
    const int* slot_start, const float* slot_weight,
    const int* channel_start, const float* channel_weight,
    const int* time_start, const float* time_weight,
    int slot_window, int channel_first, int channel_count, int time_count,
    int slots, int channels, int samples)
{
    const int patch = blockIdx.x, source = blockIdx.y;
    float* to = patches + (static_cast<size_t>(patch) * SOURCES + source) * WINDOW;
    if (patch >= channel_count * time_count) {
        for (int at = threadIdx.x; at < WINDOW; at += blockDim.x) to[at] = 0.0f;
        return;
    }
    const int along = patch % time_count, across = channel_first + patch / time_count;
    const float* of_slot = slot_weight + slot_window * SLOTS;
    const float* of_channel = channel_weight + across * CHANNELS;
    const float* of_time = time_weight + along * SAMPLES;
    const size_t row = static_cast<size_t>(source) * slots + slot_start[slot_window];
    const float* from = gathers + (row * channels + channel_start[across]) * samples
        + time_start[along];
    for (int at = threadIdx.x; at < WINDOW; at += blockDim.x) {
        const int k = at % SAMPLES, j = at / SAMPLES % CHANNELS, i = at / (SAMPLES * CHANNELS);
        const float value = from[(static_cast<size_t>(i) * channels + j) * samples + k];
        to[at] = value * (of_slot[i] * of_channel[j] * of_time[k]);
    }
}

// One thread a sample of the gathers: what covers it is added in the order of the windows, so that
// the sum is the same every time.
extern "C" __global__ void add_windows(
    float* gathers, const float* patches,
    const int* slot_start, const float* slot_weight,
    const int* channel_start, const float* channel_weight,
    const int* channel_covers_from, const int* channel_covers_to,
    const int* time_start, const float* time_weight,
    const int* time_covers_from, const int* time_covers_to,
    int slot_window, int channel_first, int channel_count, int time_count,
    int slots, int channels, int samples)
{
    const int time = blockIdx.x * blockDim.x + threadIdx.x, channel = blockIdx.y;
    const int i = blockIdx.z % SLOTS, source = blockIdx.z / SLOTS;
    if (time >= samples) return;
    const int from = max(channel_covers_from[channel], channel_first);
    const int to = min(channel_covers_to[channel], channel_first + channel_count);
    if (from >= to) return;
    const float of_slot = slot_weight[slot_window * SLOTS + i];
    const int begin = time_covers_from[time], end = time_covers_to[time];
    float sum = 0.0f;
    for (int across = from; across < to; ++across) {
        const int j = channel - channel_start[across];
        const float weight = of_slot * channel_weight[across * CHANNELS + j];
        for (int along = begin; along < end; ++along) {
            const int k = time - time_start[along];
            const size_t patch = static_cast<size_t>(across - channel_first) * time_count + along;
            const float value = patches[
                (patch * SOURCES + source) * WINDOW + (i * CHANNELS + j) * SAMPLES + k];
            sum += value * (weight * time_weight[along * SAMPLES + k]);
        }
    }
    const size_t row = static_cast<size_t>(source) * slots + slot_start[slot_window] + i;
    gathers[(row * channels + channel) * samples + time] += sum;
}
