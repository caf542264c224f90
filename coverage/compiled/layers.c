/* Sums over the cells of a site: what an outing adds, and what its passes leave of each cell. */

#include "kernels.h"
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* add_passes(counts int16, inside bool, passes uint8, most): passes grow by the counts inside the site, up to most */
static PyObject *add_passes(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"i2r", "?1r", "u1w"};
    Layer layers[3];
    if (count != 4) return PyErr_Format(PyExc_TypeError, "add_passes takes 4 arguments");
    const long most = PyLong_AsLong(args[3]);
    if (PyErr_Occurred() || borrow_layers(args, 3, kinds, layers) < 0) return NULL;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < layers[0].rows; row++) {
        const int16_t *counts = (const int16_t *)(layers[0].data + row * layers[0].stride);
        const uint8_t *inside = (const uint8_t *)(layers[1].data + row * layers[1].stride);
        uint8_t *passes = (uint8_t *)(layers[2].data + row * layers[2].stride);
        for (Py_ssize_t k = 0; k < layers[0].cols; k++) {
            const int sum = passes[k] + (inside[k] ? counts[k] : 0);
            passes[k] = (uint8_t)(sum < most ? sum : most);
        }
    }
    Py_END_ALLOW_THREADS
    give_back_layers(layers, 3);
    Py_RETURN_NONE;
}

enum { COUNTS, INSIDE, KIND, SAME, PASSES, BEARINGS, MORE, OUTING_LAYERS };
enum { NOW, NEW, AGAIN_SAME, AGAIN_OTHER, TWICE, CROSSWISE, ON_SITE, FIGURES };

/* Bearings as a byte for each set of sectors: what each set is kept as, and the set that is kept as each byte. */
typedef struct {
    const uint8_t *kept;
    const uint16_t *of;
    Py_ssize_t sets;
    int crosswise;
} Bearings;

static uint8_t with_more(const Bearings *bearings, uint8_t one, uint8_t more) {
    if (one == more || !more) return one;
    if (!one) return more;
    const int set = bearings->of[one] | bearings->of[more];
    return set < bearings->sets ? bearings->kept[set] : (uint8_t)bearings->crosswise;
}

enum { BLOCK = 128 }; /* cells of a row that are gone over together; sums over them fit a byte */

/* Add cells of one row, at most BLOCK: one thing after another, each for many cells in one register. */
FAST static void add_block(char *const *rows, Py_ssize_t begin, int cells, const Bearings *tables, int most,
                             Py_ssize_t *figures) {
    const int16_t *counts = (const int16_t *)rows[COUNTS] + begin;
    const uint8_t *inside = (const uint8_t *)rows[INSIDE] + begin, *kind = (const uint8_t *)rows[KIND] + begin;
    const uint8_t *same = (const uint8_t *)rows[SAME] + begin, *more = (const uint8_t *)rows[MORE] + begin;
    uint8_t *passes = (uint8_t *)rows[PASSES] + begin, *bearings = (uint8_t *)rows[BEARINGS] + begin;
    uint8_t now[BLOCK], other[BLOCK], f[FIGURES] = {0}, others = 0;
    for (int k = 0; k < cells; k++) {
        const uint8_t any = counts[k] > 0;
        now[k] = any & (inside[k] != 0);
        f[NOW] += now[k];
        f[TWICE] += now[k] & (counts[k] > 1);
        f[ON_SITE] += any & (kind[k] != 0);
    }
    for (int k = 0; k < cells; k++) {
        f[NEW] += now[k] & (passes[k] == 0);
        f[AGAIN_SAME] += now[k] & (same[k] != 0);
        f[AGAIN_OTHER] += now[k] & (passes[k] != 0) & (same[k] == 0);
    }
    for (int k = 0; k < cells; k++) {
        const int16_t left = (int16_t)(most - passes[k]), added = counts[k] < left ? counts[k] : left;
        passes[k] = (uint8_t)(passes[k] + (now[k] ? added : 0));
    }
    const uint8_t across = (uint8_t)tables->crosswise; /* so it stays, whatever is added */
    for (int k = 0; k < cells; k++) {
        const uint8_t one = bearings[k], here = more[k] & (uint8_t)-(passes[k] != 0);
        other[k] = here & (uint8_t)-((one != 0) & (one != here) & (one != across));
        others |= other[k];
        bearings[k] = one | (here & (uint8_t)-(one == 0));
    }
    for (int k = 0; others && k < cells; k++)
        if (other[k]) bearings[k] = with_more(tables, bearings[k], other[k]);
    for (int k = 0; k < cells; k++) f[CROSSWISE] += now[k] & (bearings[k] == across);
    for (int k = 0; k < FIGURES; k++) figures[k] += f[k];
}

static void add_row(char *const *rows, Py_ssize_t cols, const Bearings *tables, int most, Py_ssize_t *figures) {
    for (Py_ssize_t begin = 0; begin < cols; begin += BLOCK)
        add_block(rows, begin, cols - begin < BLOCK ? (int)(cols - begin) : BLOCK, tables, most, figures);
}

/* add_outing(counts int16, inside bool, kind uint8, same uint8, passes uint8, bearings uint8, more uint8, kept
   uint8 (sets,), of uint16 (256,), crosswise, most) -> cells swept now, new, swept before with the same coil, with another, twice now, crosswise, and
   on the site or its edge: passes and bearings grow by one outing */
static PyObject *add_outing(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"i2r", "?1r", "u1r", "u1r", "u1w", "u1w", "u1r"}, *const table[] = {"u1r", "u2r"};
    Layer layers[OUTING_LAYERS];
    Array tables[2];
    if (count != OUTING_LAYERS + 4) return PyErr_Format(PyExc_TypeError, "add_outing takes %d arguments", OUTING_LAYERS + 4);
    const long crosswise = PyLong_AsLong(args[OUTING_LAYERS + 2]), most = PyLong_AsLong(args[OUTING_LAYERS + 3]);
    if (PyErr_Occurred() || borrow_layers(args, OUTING_LAYERS, kinds, layers) < 0) return NULL;
    if (borrow_all(&args[OUTING_LAYERS], 2, table, tables) < 0) {
        give_back_layers(layers, OUTING_LAYERS);
        return NULL;
    }
    if (check_size(&tables[1], UINT8_MAX + 1, "of") < 0) {
        give_back(tables, 2);
        give_back_layers(layers, OUTING_LAYERS);
        return NULL;
    }
    const Bearings bearings = {tables[0].data, tables[1].data, tables[0].size, (int)crosswise};
    Py_ssize_t f[FIGURES] = {0};
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < layers[0].rows; row++) {
        char *rows[OUTING_LAYERS];
        for (int k = 0; k < OUTING_LAYERS; k++) rows[k] = layers[k].data + row * layers[k].stride;
        add_row(rows, layers[0].cols, &bearings, (int)most, f);
    }
    Py_END_ALLOW_THREADS
    give_back(tables, 2);
    give_back_layers(layers, OUTING_LAYERS);
    return Py_BuildValue("nnnnnnn", f[NOW], f[NEW], f[AGAIN_SAME], f[AGAIN_OTHER], f[TWICE], f[CROSSWISE], f[ON_SITE]);
}

FAST static void add_lost_row(const uint16_t *more, Py_ssize_t cols, uint16_t *lost) {
    for (Py_ssize_t k = 0; k < cols; k++) {
        const uint16_t sum = (uint16_t)(lost[k] + more[k]);
        lost[k] = sum < more[k] ? UINT16_MAX : sum;
    }
}

/* add_lost(more uint16, lost uint16): lost grows, up to what two bytes hold */
static PyObject *add_lost(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"u2r", "u2w"};
    Layer layers[2];
    if (count != 2) return PyErr_Format(PyExc_TypeError, "add_lost takes 2 arguments");
    if (borrow_layers(args, 2, kinds, layers) < 0) return NULL;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < layers[0].rows; row++)
        add_lost_row((const uint16_t *)(layers[0].data + row * layers[0].stride), layers[0].cols,
                     (uint16_t *)(layers[1].data + row * layers[1].stride));
    Py_END_ALLOW_THREADS
    give_back_layers(layers, 2);
    Py_RETURN_NONE;
}

static int lowest(uint64_t bits) {
#if defined(__GNUC__)
    return __builtin_ctzll(bits);
#else
    int bit = 0;
    while (!(bits >> bit & 1)) bit++;
    return bit;
#endif
}

/* Eight bytes of 0 or 1 as bits, the first one lowest. */
static uint64_t packed(const uint8_t *bytes) {
    uint64_t eight = 0;
    memcpy(&eight, bytes, sizeof eight);
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    eight = __builtin_bswap64(eight);
#endif
    return eight * 0x0102040810204080u >> 56;
}

/* Neighbours are mostly alike, and adding to one number again and again is slow: where a cell differs from the one
   before it is found for 64 at once. */
FAST static void count_row(const uint16_t *one, Py_ssize_t cols, int64_t *into) {
    Py_ssize_t begin = 0, k = 1;
    for (; k + 64 <= cols; k += 64) {
        uint8_t differs[64];
        for (int j = 0; j < 64; j++) differs[j] = one[k + j] != one[k + j - 1];
        uint64_t bits = 0;
        for (int j = 0; j < 64; j += 8) bits |= packed(differs + j) << j;
        for (; bits; bits &= bits - 1) {
            const Py_ssize_t end = k + lowest(bits);
            into[one[begin]] += end - begin;
            begin = end;
        }
    }
    for (; k <= cols; k++)
        if (k == cols || one[k] != one[begin]) {
            into[one[begin]] += k - begin;
            begin = k;
        }
}

/* count_lost(lost uint16, often int64 (65536,)): how many cells have each value is added to often */
static PyObject *count_lost(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"u2r"}, *const counted[] = {"i8w"};
    Layer lost;
    Array often;
    if (count != 2) return PyErr_Format(PyExc_TypeError, "count_lost takes 2 arguments");
    if (borrow_layers(args, 1, kinds, &lost) < 0) return NULL;
    if (borrow_all(&args[1], 1, counted, &often) < 0) {
        give_back_layers(&lost, 1);
        return NULL;
    }
    const int fits = check_size(&often, UINT16_MAX + 1, "often") == 0;
    if (fits) {
        int64_t *into = often.data;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; lost.cols && row < lost.rows; row++)
            count_row((const uint16_t *)(lost.data + row * lost.stride), lost.cols, into);
        Py_END_ALLOW_THREADS
    }
    give_back(&often, 1);
    give_back_layers(&lost, 1);
    if (!fits) return NULL;
    Py_RETURN_NONE;
}

/* Blocks of side by side cells, of which the first begins so many rows and columns before the layer. */
typedef struct {
    Py_ssize_t side, down, right, rows, cols, most;
} Blocks;

/* Count in each column what is 1, 2 ... and most or more: down the rows of a block, so that columns lie side by side. */
FAST static void count_values(const int16_t *values, const uint8_t *within, Py_ssize_t cols, Py_ssize_t most,
                              int16_t *of, uint16_t *found) {
    for (Py_ssize_t k = 0; k < cols; k++) {
        const int16_t value = values[k] < (int16_t)most ? values[k] : (int16_t)most;
        of[k] = (int16_t)(value & -(within[k] != 0)); /* a choice would be made cell by cell */
    }
    for (Py_ssize_t n = 1; n <= most; n++, found += cols)
        for (Py_ssize_t k = 0; k < cols; k++) found[k] = (uint16_t)(found[k] + (of[k] == (int16_t)n));
}

static void add_blocks(const Blocks *blocks, Py_ssize_t row, Py_ssize_t cols, const uint16_t *found, double *total) {
    for (Py_ssize_t n = 0; n < blocks->most; n++, found += cols) {
        double *into = total + (n * blocks->rows + row) * blocks->cols;
        Py_ssize_t k = 0;
        for (Py_ssize_t block = 0; block < blocks->cols; block++) {
            const Py_ssize_t end = (block + 1) * blocks->side - blocks->right;
            Py_ssize_t sum = 0;
            for (; k < end && k < cols; k++) sum += found[k];
            into[block] += (double)sum;
        }
    }
}

static int count_in_blocks(const Layer *layers, const Blocks *blocks, double *total) {
    const Py_ssize_t cols = layers[0].cols;
    const size_t room = (size_t)(blocks->most * cols) * sizeof(uint16_t);
    uint16_t *found = malloc(room + (size_t)(cols + 1) * sizeof(int16_t));
    if (found == NULL) return -1;
    Py_ssize_t row = 0;
    for (Py_ssize_t block = 0; block < blocks->rows; block++) {
        memset(found, 0, room);
        for (; row < layers[0].rows && row < (block + 1) * blocks->side - blocks->down; row++)
            count_values((const int16_t *)(layers[0].data + row * layers[0].stride),
                         (const uint8_t *)(layers[1].data + row * layers[1].stride), cols, blocks->most,
                         (int16_t *)(found + blocks->most * cols), found);
        add_blocks(blocks, block, cols, found, total);
    }
    free(found);
    return 0;
}

/* count_blocks(values int16, within bool, side, down, right, total float64 (most, rows, cols) of blocks): how many cells
   of each block are 1, 2 ... and most or more is added to total */
static PyObject *count_blocks(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"i2r", "?1r"}, *const counted[] = {"f8w"};
    Layer layers[2];
    Array total;
    if (count != 6) return PyErr_Format(PyExc_TypeError, "count_blocks takes 6 arguments");
    const long side = PyLong_AsLong(args[2]), down = PyLong_AsLong(args[3]), right = PyLong_AsLong(args[4]);
    if (PyErr_Occurred()) return NULL;
    if (side < 1 || side > UINT16_MAX || down < 0 || down >= side || right < 0 || right >= side)
        return PyErr_Format(PyExc_ValueError, "blocks of %ld from %ld, %ld are of no use", side, down, right);
    if (borrow_layers(args, 2, kinds, layers) < 0) return NULL;
    if (borrow_all(&args[5], 1, counted, &total) < 0) {
        give_back_layers(layers, 2);
        return NULL;
    }
    Blocks blocks = {side, down, right, (layers[0].rows + down + side - 1) / side, (layers[0].cols + right + side - 1) / side, 0};
    const Py_ssize_t each = blocks.rows * blocks.cols;
    blocks.most = each ? total.size / each : 0;
    int fault = check_size(&total, each * blocks.most, "total") < 0;
    if (!fault && blocks.most > INT16_MAX) {
        PyErr_SetString(PyExc_ValueError, "more values than are told apart");
        fault = 1;
    } else if (!fault) {
        Py_BEGIN_ALLOW_THREADS
        fault = count_in_blocks(layers, &blocks, total.data);
        Py_END_ALLOW_THREADS
        if (fault) PyErr_NoMemory();
    }
    give_back(&total, 1);
    give_back_layers(layers, 2);
    if (fault) return NULL;
    Py_RETURN_NONE;
}

typedef struct {
    float rest, value_steps, lost_steps;
} Scale;

/* What is left of one row: the mean of the weights there, times the passes. */
FAST static void lose_row(const float *mean, const int16_t *counts, const uint8_t *inside, Py_ssize_t cols, float lost_steps,
                          uint16_t *lost) {
    for (Py_ssize_t k = 0; k < cols; k++) {
        float left = mean[k] * (float)counts[k];
        left *= lost_steps;
        left = rintf(left);
        left = left < 65535.0f ? left : 65535.0f;
        lost[k] = (uint16_t)(int32_t)(inside[k] && counts[k] > 0 ? left : 0.0f);
    }
}

/* The mean changes only where a span begins or ends: those columns are marked, and between two of them it is one
   number. marks has a bit for each column; changes of how many spans there are, and of the sum of their weights, lie
   by column. All three are nothing again when a row is done. */
typedef struct {
    uint64_t *marks;
    int32_t *often, *sums;
    float *mean;
} Row;

static void change(Row *row, Py_ssize_t col, int32_t often, int32_t weight) {
    row->often[col] += often;
    row->sums[col] += weight;
    row->marks[col >> 6] |= (uint64_t)1 << (col & 63);
}

static float mean_of(int32_t often, int32_t sum, Scale scale) {
    const float steps = (float)((int32_t)scale.value_steps * often);
    return often > 0 ? (float)((double)sum / (double)steps) : scale.rest;
}

enum { AT_ONCE = 16 };

/* Most stretches are short, so that it is quicker to write beyond the end, where other means come next. */
static void fill(float *means, Py_ssize_t from, Py_ssize_t to, float mean) {
    for (; from < to; from += AT_ONCE)
        for (int k = 0; k < AT_ONCE; k++) means[from + k] = mean;
}

static void fill_means(Row *row, Py_ssize_t cols, Scale scale) {
    int32_t often = 0, sum = 0;
    Py_ssize_t from = 0;
    float mean = scale.rest;
    for (Py_ssize_t word = 0; word <= cols >> 6; word++) {
        for (uint64_t bits = row->marks[word]; bits; bits &= bits - 1) {
            const Py_ssize_t col = word * 64 + lowest(bits);
            fill(row->mean, from, col, mean);
            from = col;
            often += row->often[col];
            sum += row->sums[col];
            row->often[col] = row->sums[col] = 0;
            mean = mean_of(often, sum, scale);
        }
        row->marks[word] = 0;
    }
    fill(row->mean, from, cols, mean);
}

enum { SPAN_ROW, SPAN_FIRST, SPAN_LAST, SPAN_GROUP, SPAN_WEIGHT, SPAN_FIELDS };

static int in_order(const Array *a, Py_ssize_t rows, Py_ssize_t cols) {
    const int64_t *row = a[SPAN_ROW].data, *first = a[SPAN_FIRST].data, *last = a[SPAN_LAST].data;
    const int64_t *group = a[SPAN_GROUP].data;
    for (int k = SPAN_FIRST; k <= SPAN_GROUP; k++)
        if (check_size(&a[k], a[SPAN_ROW].size, "a field of spans") < 0) return 0;
    for (Py_ssize_t k = 0; k < a[SPAN_ROW].size; k++)
        if (row[k] < (k ? row[k - 1] : 0) || row[k] >= rows || first[k] < 0 || first[k] > last[k] || last[k] >= cols ||
            group[k] < 0 || group[k] >= a[SPAN_WEIGHT].size) {
            PyErr_SetString(PyExc_ValueError, "spans are not in the order of rows, or leave the grid");
            return 0;
        }
    return 1;
}

static int lose(const Array *a, const Layer *layers, Scale scale) {
    const Py_ssize_t cols = layers[0].cols, words = (cols >> 6) + 1;
    uint64_t *marks = calloc((size_t)words * sizeof *marks + ((size_t)(cols + 1) * 3 + AT_ONCE) * sizeof(int32_t), 1);
    if (marks == NULL) return -1;
    int32_t *often = (int32_t *)(marks + words);
    Row here = {marks, often, often + cols + 1, (float *)(often + 2 * (cols + 1))};
    const int64_t *row = a[SPAN_ROW].data, *first = a[SPAN_FIRST].data, *last = a[SPAN_LAST].data;
    const int64_t *group = a[SPAN_GROUP].data;
    const int32_t *weight = a[SPAN_WEIGHT].data;
    Py_ssize_t span = 0;
    for (Py_ssize_t at = 0; at < layers[0].rows; at++) {
        for (; span < a[SPAN_ROW].size && row[span] == at; span++) {
            change(&here, first[span], 1, weight[group[span]]);
            change(&here, last[span] + 1, -1, -weight[group[span]]);
        }
        fill_means(&here, cols, scale);
        lose_row(here.mean, (const int16_t *)(layers[0].data + at * layers[0].stride),
                 (const uint8_t *)(layers[1].data + at * layers[1].stride), cols, scale.lost_steps,
                 (uint16_t *)(layers[2].data + at * layers[2].stride));
    }
    free(marks);
    return 0;
}

/* lose_over(row, first, last, group, weight int32 (groups,), counts int16, inside bool, lost uint16, rest, value_steps,
   lost_steps): passes times the mean weight of the spans over each cell, or times rest where there are none */
static PyObject *lose_over(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const spans[] = {"i8r", "i8r", "i8r", "i8r", "i4r"}, *const kinds[] = {"i2r", "?1r", "u2w"};
    Array arrays[SPAN_FIELDS];
    Layer layers[3];
    if (count != SPAN_FIELDS + 6) return PyErr_Format(PyExc_TypeError, "lose_over takes %d arguments", SPAN_FIELDS + 6);
    PyObject *const *scales = args + SPAN_FIELDS + 3;
    const Scale scale = {(float)PyFloat_AsDouble(scales[0]), (float)PyLong_AsLong(scales[1]), (float)PyLong_AsLong(scales[2])};
    if (PyErr_Occurred() || borrow_all(args, SPAN_FIELDS, spans, arrays) < 0) return NULL;
    if (borrow_layers(args + SPAN_FIELDS, 3, kinds, layers) < 0) {
        give_back(arrays, SPAN_FIELDS);
        return NULL;
    }
    int fault = !in_order(arrays, layers[0].rows, layers[0].cols);
    if (!fault) {
        Py_BEGIN_ALLOW_THREADS
        fault = lose(arrays, layers, scale);
        Py_END_ALLOW_THREADS
        if (fault) PyErr_NoMemory();
    }
    give_back_layers(layers, 3);
    give_back(arrays, SPAN_FIELDS);
    if (fault) return NULL;
    Py_RETURN_NONE;
}

PyMethodDef layer_methods[] = {
    METHOD(add_passes), METHOD(add_outing), METHOD(add_lost),
    METHOD(count_lost), METHOD(lose_over), METHOD(count_blocks), {NULL, NULL, 0, NULL},
};
