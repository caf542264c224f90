/* Strides of a walk, and which of them lie on others of another time: for quality/snapping.py, the same sums. */

#include "borrow.h"
#include "segments.h"
#include <stdlib.h>

/* strides(x, y, chosen, least_m2) -> how many: the numbers of the first fix and of each that lies so far from the one
   chosen before it, at most as many as there is room for */
static PyObject *strides(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { X, Y, CHOSEN, ARRAYS };
    static const char *const kinds[] = {"f8r", "f8r", "i8w"};
    Array a[ARRAYS];
    if (count != ARRAYS + 1) return PyErr_Format(PyExc_TypeError, "strides takes %d arguments", ARRAYS + 1);
    const double least_m2 = PyFloat_AsDouble(args[ARRAYS]);
    if (PyErr_Occurred() || borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    const double *x = a[X].data, *y = a[Y].data;
    int64_t *chosen = a[CHOSEN].data;
    const int fits = check_size(&a[Y], a[X].size, "y") == 0;
    Py_ssize_t found = 0, last = 0;
    for (Py_ssize_t k = 0; fits && k < a[X].size && found < a[CHOSEN].size; k++) {
        const double dx = x[k] - x[last], dy = y[k] - y[last];
        if (k > 0 && !(dx * dx + dy * dy >= least_m2)) continue;
        chosen[found++] = last = k;
    }
    give_back(a, ARRAYS);
    return fits ? PyLong_FromSsize_t(found) : NULL;
}

/* ------------------------------------------------------------------------------------------------------------------ */

typedef struct {
    const double *begin, *end, *middle, *way; /* (n, 2) */
    const double *from_s, *to_s;
    Py_ssize_t size;
    double near_m, room_m, apart, sine, cell_m;
} Strides;

/* Strides in the cells that they come near to, found by a cell's column and row. */
typedef struct {
    int64_t col, row;
    int32_t stride, next; /* the next of the same place in the table; -1 if there is none */
} Entry;

typedef struct {
    Entry *entries;
    int32_t *first;
    size_t mask;
    Py_ssize_t size, room;
} Table;

static size_t place_of(const Table *table, int64_t col, int64_t row) {
    uint64_t mixed = (uint64_t)col * 0x9E3779B97F4A7C15u ^ (uint64_t)row * 0xC2B2AE3D27D4EB4Fu;
    return (size_t)(mixed ^ mixed >> 29) & table->mask;
}

static int enter(Table *table, int64_t col, int64_t row, int32_t stride) {
    if (table->size == table->room) {
        if (table->room > INT32_MAX / 2) return -1;
        Entry *more = realloc(table->entries, (size_t)table->room * 2 * sizeof *more);
        if (more == NULL) return -1;
        table->entries = more;
        table->room *= 2;
    }
    int32_t *first = &table->first[place_of(table, col, row)];
    table->entries[table->size] = (Entry){col, row, stride, *first};
    *first = (int32_t)table->size++;
    return 0;
}

/* As large as strides are usually long, so that each lies in few cells and few lie in each. */
static double cell_of(const double *begin, const double *end, Py_ssize_t size) {
    double sum = 0.0;
    for (Py_ssize_t k = 0; k < 2 * size; k++) sum += fabs(end[k] - begin[k]);
    return sum > (double)size ? sum / (double)size : 1.0;
}

static int fill(Table *table, Strides *s) {
    s->cell_m = cell_of(s->begin, s->end, s->size);
    size_t places = 64;
    while (places < (size_t)s->size * 4) places *= 2;
    *table = (Table){malloc((size_t)(4 * s->size + 16) * sizeof(Entry)), malloc(places * sizeof(int32_t)), places - 1,
                     0, 4 * s->size + 16};
    if (table->entries == NULL || table->first == NULL) return -1;
    for (size_t k = 0; k < places; k++) table->first[k] = -1;
    const double more_m = 1.01 * s->near_m; /* roundings leave nothing out */
    for (Py_ssize_t k = 0; k < s->size; k++) {
        const double x = s->begin[2 * k], y = s->begin[2 * k + 1], to_x = s->end[2 * k], to_y = s->end[2 * k + 1];
        const int64_t west = (int64_t)floor(((x < to_x ? x : to_x) - more_m) / s->cell_m);
        const int64_t east = (int64_t)floor(((x < to_x ? to_x : x) + more_m) / s->cell_m);
        const int64_t south = (int64_t)floor(((y < to_y ? y : to_y) - more_m) / s->cell_m);
        const int64_t north = (int64_t)floor(((y < to_y ? to_y : y) + more_m) / s->cell_m);
        for (int64_t col = west; col <= east; col++)
            for (int64_t row = south; row <= north; row++)
                if (enter(table, col, row, (int32_t)k) < 0) return -1;
    }
    return 0;
}

static double cross(const double *a, const double *b) { return a[0] * b[1] - a[1] * b[0]; }

/* Whether a stride is on a line of another time; how many strides are near it is added to pairs. */
static uint8_t is_again(const Strides *s, const Table *table, Py_ssize_t mine, int64_t *pairs) {
    const double *middle = s->middle + 2 * mine;
    const int64_t col = (int64_t)floor(middle[0] / s->cell_m), row = (int64_t)floor(middle[1] / s->cell_m);
    int64_t around = 0, close = 0;
    for (int32_t at = table->first[place_of(table, col, row)]; at >= 0; at = table->entries[at].next) {
        const Entry *entry = &table->entries[at];
        const int32_t other = entry->stride;
        if (entry->col != col || entry->row != row) continue;
        if (!(distance_from(segment_of(s->begin + 2 * other, s->end + 2 * other), middle) <= s->near_m)) continue;
        ++*pairs;
        if (!(s->from_s[mine] - s->to_s[other] > s->apart || s->from_s[other] - s->to_s[mine] > s->apart)) continue;
        if (!(fabs(cross(s->way + 2 * mine, s->way + 2 * other)) < s->sine)) continue;
        const double *begin = s->begin + 2 * other, off[2] = {middle[0] - begin[0], middle[1] - begin[1]};
        around++;
        close += fabs(cross(off, s->way + 2 * other)) <= s->room_m;
    }
    return 2 * close > around;
}

/* 1, or 0 with ValueError set where a place has no cell that a whole number tells. */
static int lies_somewhere(const Array *places) {
    const double *one = places->data;
    for (Py_ssize_t k = 0; k < places->size; k++)
        if (!(fabs(one[k]) < 1e18)) {
            PyErr_SetString(PyExc_ValueError, "a stride lies nowhere");
            return 0;
        }
    return 1;
}

/* again(begin, end, middle, way (n, 2), from_s, to_s (n,), blocks (b, 2), on_line bool (n,), near_m, room_m, apart,
   sine, most) -> how many of the blocks were looked at: runs of strides, first and last + 1, until more than most pairs
   were; on_line is written for those */
static PyObject *again(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    enum { BEGIN, END, MIDDLE, WAY, FROM_S, TO_S, BLOCKS, ON_LINE, ARRAYS, NUMBERS = 5 };
    static const char *const kinds[] = {"f8r", "f8r", "f8r", "f8r", "f8r", "f8r", "i8r", "?1w"};
    Array a[ARRAYS];
    double numbers[NUMBERS];
    if (count != ARRAYS + NUMBERS) return PyErr_Format(PyExc_TypeError, "again takes %d arguments", ARRAYS + NUMBERS);
    for (int k = 0; k < NUMBERS; k++) numbers[k] = PyFloat_AsDouble(args[ARRAYS + k]);
    if (PyErr_Occurred() || borrow_all(args, ARRAYS, kinds, a) < 0) return NULL;
    Strides s = {a[BEGIN].data,   a[END].data, a[MIDDLE].data, a[WAY].data, a[FROM_S].data, a[TO_S].data,
                 a[ON_LINE].size, numbers[0],  numbers[1],     numbers[2],  numbers[3],     0.0};
    const int64_t *blocks = a[BLOCKS].data;
    int fits = s.size <= INT32_MAX / 8;
    if (!fits) PyErr_SetString(PyExc_ValueError, "there are too many strides");
    for (int k = BEGIN; fits && k < BLOCKS; k++)
        fits = check_size(&a[k], k <= WAY ? 2 * s.size : s.size, "a field of strides") == 0;
    for (int k = BEGIN; fits && k <= MIDDLE; k++) fits = lies_somewhere(&a[k]);
    for (Py_ssize_t k = 0; fits && k < a[BLOCKS].size / 2; k++)
        if (blocks[2 * k] < 0 || blocks[2 * k + 1] > s.size) {
            PyErr_SetString(PyExc_ValueError, "a block is out of range");
            fits = 0;
        }
    Table table = {0};
    Py_ssize_t looked = 0;
    int64_t pairs = 0;
    if (fits) {
        int filled;
        uint8_t *on_line = a[ON_LINE].data;
        Py_BEGIN_ALLOW_THREADS
        filled = fill(&table, &s) == 0;
        while (filled && looked < a[BLOCKS].size / 2 && pairs <= (int64_t)numbers[4]) {
            for (int64_t k = blocks[2 * looked]; k < blocks[2 * looked + 1]; k++)
                on_line[k] = is_again(&s, &table, k, &pairs);
            looked++;
        }
        free(table.entries);
        free(table.first);
        Py_END_ALLOW_THREADS
        if (!filled) {
            PyErr_NoMemory();
            fits = 0;
        }
    }
    give_back(a, ARRAYS);
    return fits ? PyLong_FromSsize_t(looked) : NULL;
}

PyMethodDef stride_methods[] = {METHOD(strides), METHOD(again), {NULL, NULL, 0, NULL}};
