// Thresholds of the coefficients of patches, in place. The array forms are in threshold.py.
//
// Defined when compiled: SOURCES, WAVENUMBERS, FREQUENCIES of a patch, and JOINTLY.
// One block of threads a patch. `scale` multiplies what is kept.

constexpr int LANES = THREADS / FREQUENCIES;  // threads that share a frequency
constexpr float DROPPED = 0.5f, STEEPNESS = 5.0f, LEAST_POWER = 1e-30f;
constexpr int SWEEPS = 12;
constexpr int PAIRS = SOURCES * SOURCES;

__device__ inline float kept_part(float2 value, float slope)
{
    return __saturatef((value.x * value.x + value.y * value.y) * slope - DROPPED);
}

#if JOINTLY

struct Complex { double x, y; };

__device__ inline Complex times(Complex a, Complex b)
{
    return {a.x * b.x - a.y * b.y, a.x * b.y + a.y * b.x};
}

// Turn the pair of columns p and q of some rows: left and right times `back`.
__device__ inline void turn(Complex& left, Complex& right, Complex back, double cosine, double sine)
{
    const Complex r = times(right, back), l = left;
    left = {cosine * l.x - sine * r.x, cosine * l.y - sine * r.y};
    right = {sine * l.x + cosine * r.x, sine * l.y + cosine * r.y};
}

// Cyclic complex Jacobi, as `eigenvectors` of kernels.py; columns of `vectors` are orthonormal.
__device__ void eigenvectors(Complex matrix[SOURCES][SOURCES], Complex vectors[SOURCES][SOURCES])
{
    double total = 0.0;
    for (int i = 0; i < SOURCES; ++i) {
        total += matrix[i][i].x;
        for (int j = 0; j < SOURCES; ++j) vectors[i][j] = {i == j ? 1.0 : 0.0, 0.0};
    }
    for (int sweep = 0; sweep < SWEEPS; ++sweep) {
        double off = 0.0;
        for (int i = 0; i < SOURCES; ++i)
            for (int j = 0; j < i; ++j) off += hypot(matrix[i][j].x, matrix[i][j].y);
        if (off <= 1e-6 * total) break;
        for (int q = 0; q < SOURCES; ++q) {
            for (int p = 0; p < q; ++p) {
                const Complex element = matrix[p][q];
                const double magnitude = hypot(element.x, element.y);
                if (magnitude == 0.0) continue;
                const Complex phase = {element.x / magnitude, element.y / magnitude};
                const Complex back = {phase.x, -phase.y};
                const double theta = (matrix[q][q].x - matrix[p][p].x) / (2.0 * magnitude);
                double tangent = 1.0 / (fabs(theta) + sqrt(theta * theta + 1.0));
                if (theta < 0.0) tangent = -tangent;
                const double cosine = rsqrt(tangent * tangent + 1.0), sine = tangent * cosine;
                for (int k = 0; k < SOURCES; ++k) {
                    turn(matrix[k][p], matrix[k][q], back, cosine, sine);
                    turn(vectors[k][p], vectors[k][q], back, cosine, sine);
                }
                for (int k = 0; k < SOURCES; ++k)
                    turn(matrix[p][k], matrix[q][k], phase, cosine, sine);
            }
        }
    }
}

// Coefficients of all sources along one eigenvector.
__device__ inline float2 along(const float2* value, const float2* vectors, int v)
{
    float2 sum = {0.0f, 0.0f};
    for (int i = 0; i < SOURCES; ++i) {
        const float2 vector = vectors[i * SOURCES + v];
        sum.x += vector.x * value[i].x + vector.y * value[i].y;
        sum.y += vector.x * value[i].y - vector.y * value[i].x;
    }
    return sum;
}

extern "C" __global__ void threshold(float2* spectrum, const float* thresholds, float scale)
{
    __shared__ float sums[(PAIRS + 1) * THREADS];
    __shared__ float2 turned[PAIRS * FREQUENCIES];
    __shared__ float plain_share[FREQUENCIES], counted[FREQUENCIES];
    const int frequency = threadIdx.x % FREQUENCIES, lane = threadIdx.x / FREQUENCIES;
    const bool active = lane < LANES;
    float2* patch = spectrum
        + static_cast<size_t>(blockIdx.x) * SOURCES * WAVENUMBERS * FREQUENCIES + frequency;
    const float least = thresholds[static_cast<size_t>(blockIdx.x) * FREQUENCIES + frequency];
    const float slope = 1.0f / fmaxf(least * least, LEAST_POWER);
    constexpr int STRIDE = WAVENUMBERS * FREQUENCIES;
    float2 value[SOURCES];

    // The covariance of sources, its diagonal real, and what a plain threshold keeps.
    float covariance[PAIRS] = {}, count = 0.0f;
    if (active) {
        for (int k = lane; k < WAVENUMBERS; k += LANES) {
            int pair = 0;
            for (int i = 0; i < SOURCES; ++i) {
                value[i] = patch[i * STRIDE + k * FREQUENCIES];
                count += kept_part(value[i], slope);
                covariance[pair++] += value[i].x * value[i].x + value[i].y * value[i].y;
                for (int j = 0; j < i; ++j) {
                    covariance[pair++] += value[i].x * value[j].x + value[i].y * value[j].y;
                    covariance[pair++] += value[i].y * value[j].x - value[i].x * value[j].y;
                }
            }
        }
    }
    for (int pair = 0; pair < PAIRS; ++pair) sums[pair * THREADS + threadIdx.x] = covariance[pair];
    sums[PAIRS * THREADS + threadIdx.x] = count;
    __syncthreads();

    // Sums over lanes: a thread for each frequency and quantity.
    for (int at = threadIdx.x; at < (PAIRS + 1) * FREQUENCIES; at += THREADS) {
        float* own = sums + at / FREQUENCIES * THREADS + at % FREQUENCIES;
        float sum = 0.0f;
        for (int other = 0; other < LANES; ++other) sum += own[other * FREQUENCIES];
        own[0] = sum;
    }
    __syncthreads();

    if (threadIdx.x < FREQUENCIES) {
        counted[frequency] = sums[PAIRS * THREADS + frequency];
        if (counted[frequency] > 0.0f) {
            Complex matrix[SOURCES][SOURCES], vectors[SOURCES][SOURCES];
            int pair = 0;
            for (int i = 0; i < SOURCES; ++i) {
                matrix[i][i] = {sums[pair++ * THREADS + frequency], 0.0};
                for (int j = 0; j < i; ++j) {
                    const double real = sums[pair++ * THREADS + frequency];
                    const double imaginary = sums[pair++ * THREADS + frequency];
                    matrix[i][j] = {real, imaginary};
                    matrix[j][i] = {real, -imaginary};
                }
            }
            eigenvectors(matrix, vectors);
            for (int i = 0; i < SOURCES; ++i)
                for (int v = 0; v < SOURCES; ++v)
                    turned[(i * SOURCES + v) * FREQUENCIES + frequency] =
                        {static_cast<float>(vectors[i][v].x), static_cast<float>(vectors[i][v].y)};
        }
    }
    __syncthreads();

    // What is kept along the eigenvectors.
    float2 vectors[PAIRS];
    const bool any = counted[frequency] > 0.0f;
    float count_turned = 0.0f;
    if (any) {
        for (int pair = 0; pair < PAIRS; ++pair) vectors[pair] = turned[pair * FREQUENCIES + frequency];
        if (active) {
            for (int k = lane; k < WAVENUMBERS; k += LANES) {
                for (int i = 0; i < SOURCES; ++i) value[i] = patch[i * STRIDE + k * FREQUENCIES];
                for (int v = 0; v < SOURCES; ++v)
                    count_turned += kept_part(along(value, vectors, v), slope);
            }
        }
    }
    sums[threadIdx.x] = count_turned;
    __syncthreads();
    if (threadIdx.x < FREQUENCIES) {
        float sum = 0.0f;
        for (int other = 0; other < LANES; ++other) sum += sums[other * FREQUENCIES + frequency];
        const float apart = (sum - counted[frequency]) / (sum + counted[frequency] + LEAST_POWER);
        plain_share[frequency] = __saturatef(0.5f + STEEPNESS * apart);
    }
    __syncthreads();

    if (!active) return;
    const float plain = plain_share[frequency];
    for (int k = lane; k < WAVENUMBERS; k += LANES) {
        if (!any) {
            for (int i = 0; i < SOURCES; ++i) patch[i * STRIDE + k * FREQUENCIES] = {0.0f, 0.0f};
            continue;
        }
        for (int i = 0; i < SOURCES; ++i) value[i] = patch[i * STRIDE + k * FREQUENCIES];
        float2 back[SOURCES] = {};
        if (plain < 1.0f) {
            for (int v = 0; v < SOURCES; ++v) {
                float2 some = along(value, vectors, v);
                const float part = kept_part(some, slope);
                some = {some.x * part, some.y * part};
                for (int i = 0; i < SOURCES; ++i) {
                    const float2 vector = vectors[i * SOURCES + v];
                    back[i].x += vector.x * some.x - vector.y * some.y;
                    back[i].y += vector.x * some.y + vector.y * some.x;
                }
            }
        }
        for (int i = 0; i < SOURCES; ++i) {
            const float part = scale * plain * kept_part(value[i], slope);
            const float other = scale * (1.0f - plain);
            patch[i * STRIDE + k * FREQUENCIES] =
                {value[i].x * part + back[i].x * other, value[i].y * part + back[i].y * other};
        }
    }
}

#else

extern "C" __global__ void threshold(float2* spectrum, const float* thresholds, float scale)
{
    constexpr int COUNT = SOURCES * WAVENUMBERS * FREQUENCIES;
    float2* patch = spectrum + static_cast<size_t>(blockIdx.x) * COUNT;
    for (int at = threadIdx.x; at < COUNT; at += THREADS) {
        const float least =
            thresholds[static_cast<size_t>(blockIdx.x) * FREQUENCIES + at % FREQUENCIES];
        const float2 value = patch[at];
        const float part =
            scale * kept_part(value, 1.0f / fmaxf(least * least, LEAST_POWER));
        patch[at] = {value.x * part, value.y * part};
    }
}

#endif
