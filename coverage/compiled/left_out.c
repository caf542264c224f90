/* What sweeps left out of the cells of a plot, for all draws with their edges at one level.

   Draws lie side by side: at a cell they share its effort, and each of them is there, so that whole registers are at
   work wherever a sweep lies. Cells side by side, with what is walked picked out of them, took twice as long.

   The arithmetic is that of _left_of_block in estimate/left_out.py, and every rounding is the same. */

#include "kernels.h"
#include <stdlib.h>
#include <string.h>

/* Cells at once, so that a block of all draws stays in the processor's cache; draws in a register; bytes of one. */
enum { BLOCK = 128, LANES = 8, REGISTER = 32 };

/* Of a table: the share swept at a step of the effort, and how much it rises to the next; fetched together. */
typedef struct {
    float share, rise;
} Step;

/* A part of a sweep, and where what is still to be done begins and ends in own. */
enum { OWN, SHARE, FACTOR, BEGIN, STEPS, PART_FIELDS };
static const char *const PART_KINDS[] = {"i4r", "f4r", "f4r", "i4r", "f4r"};

typedef struct {
    Array a[PART_FIELDS];
    Py_ssize_t from, until;
} Part;

/* A sweep, and where what is still to be done begins and ends in here. */
enum { HERE, RHO, WEIGHT, AGAIN, SWEEP_FIELDS };
static const char *const SWEEP_KINDS[] = {"i4r", "f4r", "f4r", "f4r"};

typedef struct {
    Array a[SWEEP_FIELDS];
    Part *parts;
    Py_ssize_t count, from, until;
} Sweep;

typedef struct {
    Sweep *sweeps;
    Py_ssize_t count, draws;
} Sweeps;

static void let_go(Sweeps *all) {
    for (Py_ssize_t k = 0; k < all->count; k++) {
        Sweep *one = &all->sweeps[k];
        for (Py_ssize_t p = 0; p < one->count; p++) give_back(one->parts[p].a, PART_FIELDS);
        give_back(one->a, SWEEP_FIELDS);
        free(one->parts);
    }
    free(all->sweeps);
}

static int is_row_of(PyObject *one, Py_ssize_t size, const char *what) {
    if (PyTuple_Check(one) && (size < 0 || PyTuple_GET_SIZE(one) == size)) return 1;
    PyErr_Format(PyExc_TypeError, "%s is no tuple of the right size", what);
    return 0;
}

/* 0, or -1 with ValueError set where the first or last of rising numbers is not below a limit. */
static int check_ends(const Array *rising, int64_t below) {
    const int32_t *one = rising->data;
    if (rising->size == 0 || (one[0] >= 0 && one[rising->size - 1] < below)) return 0;
    PyErr_SetString(PyExc_ValueError, "a sweep leaves the cells");
    return -1;
}

static int make_part(PyObject *given, Part *part, const Sweep *sweep, Py_ssize_t draws) {
    if (!is_row_of(given, PART_FIELDS, "a part")) return -1;
    if (borrow_all(PySequence_Fast_ITEMS(given), PART_FIELDS, PART_KINDS, part->a) < 0) return -1;
    const Array *a = part->a;
    if (check_size(&a[SHARE], a[OWN].size, "share") == 0 && check_size(&a[FACTOR], draws, "factor") == 0 &&
        check_size(&a[BEGIN], draws, "begin") == 0 && check_ends(&a[OWN], sweep->a[HERE].size) == 0) {
        if (a[STEPS].size <= INT32_MAX / 2 && sweep->a[HERE].size <= INT32_MAX) return 0;
        PyErr_SetString(PyExc_ValueError, "a table is too large");
    }
    give_back(part->a, PART_FIELDS);
    return -1;
}

static int make_sweep(PyObject *given, Sweep *sweep, Py_ssize_t draws, int64_t cells) {
    if (!is_row_of(given, SWEEP_FIELDS + 1, "a sweep")) return -1;
    PyObject *parts = PyTuple_GET_ITEM(given, SWEEP_FIELDS);
    if (!is_row_of(parts, -1, "what is said of parts")) return -1;
    if (borrow_all(PySequence_Fast_ITEMS(given), SWEEP_FIELDS, SWEEP_KINDS, sweep->a) < 0) return -1;
    const Array *a = sweep->a;
    const Py_ssize_t count = PyTuple_GET_SIZE(parts);
    sweep->parts = NULL;
    sweep->count = 0;
    if (check_size(&a[RHO], a[HERE].size, "rho") == 0 && check_size(&a[WEIGHT], a[HERE].size, "weight") == 0 &&
        (a[AGAIN].size == 0 || check_size(&a[AGAIN], draws, "again") == 0) && check_ends(&a[HERE], cells) == 0) {
        sweep->parts = malloc(((size_t)count + 1) * sizeof *sweep->parts);
        if (sweep->parts == NULL) PyErr_NoMemory();
    }
    while (sweep->parts != NULL && sweep->count < count) {
        if (make_part(PyTuple_GET_ITEM(parts, sweep->count), &sweep->parts[sweep->count], sweep, draws) < 0) break;
        sweep->count++;
    }
    if (sweep->parts != NULL && sweep->count == count) return 0;
    for (Py_ssize_t k = 0; k < sweep->count; k++) give_back(sweep->parts[k].a, PART_FIELDS);
    give_back(sweep->a, SWEEP_FIELDS);
    free(sweep->parts);
    return -1;
}

static int make_sweeps(PyObject *given, Py_ssize_t draws, int64_t cells, Sweeps *all) {
    *all = (Sweeps){NULL, 0, draws};
    if (!is_row_of(given, -1, "what is said of sweeps")) return -1;
    all->sweeps = malloc(((size_t)PyTuple_GET_SIZE(given) + 1) * sizeof *all->sweeps);
    if (all->sweeps == NULL) {
        PyErr_NoMemory();
        return -1;
    }
    for (Py_ssize_t k = 0; k < PyTuple_GET_SIZE(given); k++, all->count++)
        if (make_sweep(PyTuple_GET_ITEM(given, k), &all->sweeps[k], draws, cells) < 0) {
            let_go(all);
            return -1;
        }
    return 0;
}

/* First place of a rising array that is not below a number. */
static Py_ssize_t place_of(const Array *rising, int64_t number) {
    const int32_t *one = rising->data;
    Py_ssize_t low = 0, high = rising->size;
    while (low < high) {
        const Py_ssize_t middle = low + (high - low) / 2;
        if (one[middle] < number)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* Whether numbers from one place to another rise, and lie from first on, below last. */
static int rises(const Array *numbers, Py_ssize_t from, Py_ssize_t until, int64_t first, int64_t last) {
    const int32_t *one = numbers->data;
    for (Py_ssize_t k = from; k < until; k++) {
        if (one[k] < first || one[k] >= last) return 0;
        first = (int64_t)one[k] + 1;
    }
    return 1;
}

/* Whether no draw of a part looks beyond its table, at any of its places from from to until. */
static int within_table(const Sweep *sweep, const Part *part) {
    const int32_t *own = part->a[OWN].data;
    const float *rho = sweep->a[RHO].data, *factor = part->a[FACTOR].data;
    const int32_t *begin = part->a[BEGIN].data;
    const int64_t size = part->a[STEPS].size / 2;
    float most = 0;
    for (Py_ssize_t k = part->from; k < part->until; k++) {
        if (!(rho[own[k]] >= 0)) return 0;
        if (rho[own[k]] > most) most = rho[own[k]];
    }
    for (Py_ssize_t d = 0; d < part->a[FACTOR].size; d++) {
        const float step = factor[d] * most;
        if (!(factor[d] >= 0 && step < (float)size) || begin[d] < 0 || begin[d] >= size - (int64_t)step) return 0;
    }
    return 1;
}

/* Find what lies from first to last of a sweep; whether all of it fits. */
static int fits(Sweep *sweep, int64_t first, int64_t last) {
    sweep->from = place_of(&sweep->a[HERE], first);
    sweep->until = place_of(&sweep->a[HERE], last);
    if (sweep->from > sweep->until || !rises(&sweep->a[HERE], sweep->from, sweep->until, first, last)) return 0;
    for (Py_ssize_t k = 0; k < sweep->count; k++) {
        Part *part = &sweep->parts[k];
        part->from = place_of(&part->a[OWN], sweep->from);
        part->until = place_of(&part->a[OWN], sweep->until);
        if (part->from > part->until || !rises(&part->a[OWN], part->from, part->until, sweep->from, sweep->until))
            return 0;
        if (part->until > part->from && !within_table(sweep, part)) return 0;
    }
    return 1;
}

/* Room for a block of cells, (BLOCK, lanes), and for one of them, (lanes,). */
typedef struct {
    Py_ssize_t draws, lanes; /* those beyond the draws fill up a register, and count nothing */
    float *left, *swept, *factor, *again, *beyond;
    int32_t *begin, *at;
    Step *step;
    void *memory;
} Room;

/* 0, or -1 where there is no memory. */
static int make_room(Py_ssize_t draws, Room *room) {
    const Py_ssize_t lanes = (draws + LANES - 1) / LANES * LANES;
    const size_t fields = 2 * BLOCK + 7; /* of 4 bytes, as all are but steps */
    room->memory = calloc(fields * (size_t)lanes * 4 + REGISTER, 1);
    if (room->memory == NULL) return -1;
    room->draws = draws;
    room->lanes = lanes;
    room->left = (float *)(((uintptr_t)room->memory + REGISTER - 1) / REGISTER * REGISTER);
    room->swept = room->left + BLOCK * lanes;
    room->factor = room->swept + BLOCK * lanes;
    room->again = room->factor + lanes;
    room->beyond = room->again + lanes;
    room->begin = (int32_t *)(room->beyond + lanes);
    room->at = room->begin + lanes;
    room->step = (Step *)(room->at + lanes);
    return 0;
}

/* Add what a part swept of its next places, those below until, to what was swept of the sweep's from start on: shares
   by straight lines between steps of its table. */
FAST static void add_part(const Sweep *sweep, Part *part, Py_ssize_t start, Py_ssize_t until, const Room *room) {
    const Py_ssize_t draws = room->draws, lanes = room->lanes;
    const int32_t *own = part->a[OWN].data;
    const float *rho = sweep->a[RHO].data, *share = part->a[SHARE].data;
    const Step *steps = part->a[STEPS].data;
    const float *restrict factor = room->factor;
    const int32_t *restrict begin = room->begin;
    float *restrict beyond = room->beyond;
    int32_t *restrict at = room->at;
    Step *restrict step = room->step;
    for (; part->from < part->until && own[part->from] < until; part->from++) {
        const float effort = rho[own[part->from]], of = share[part->from];
        float *restrict swept = room->swept + (own[part->from] - start) * lanes;
        for (Py_ssize_t d = 0; d < lanes; d++) {
            const float along = factor[d] * effort;
            const int32_t whole = (int32_t)along;
            beyond[d] = along - (float)whole;
            at[d] = begin[d] + whole;
        }
        EIGHT_A_ROUND
        for (Py_ssize_t d = 0; d < draws; d++) step[d] = steps[at[d]];
        for (Py_ssize_t d = 0; d < lanes; d++) {
            const float rise = step[d].rise * beyond[d];
            swept[d] += (rise + step[d].share) * of;
        }
    }
}

/* What is taken off beside 1 (_NOTHING in left_out.py). */
static const float NOTHING = 1e-20F;

static inline float less_nothing(float left) {
    const float below = left < 0 ? left : 0;
    left -= NOTHING;
    return left > below ? left : below;
}

/* Leave what a sweep left out of what was left. */
static inline void leave(float *restrict left, const float *restrict swept, float weight, Py_ssize_t lanes) {
    for (Py_ssize_t d = 0; d < lanes; d++) {
        const float share = swept[d] * weight;
        left[d] = less_nothing(left[d] * (1 - share));
    }
}

/* The same of one that has to do with those before. */
static inline void leave_again(float *restrict left, const float *restrict swept, float weight,
                               const float *restrict again, Py_ssize_t lanes) {
    for (Py_ssize_t d = 0; d < lanes; d++) {
        const float same = again[d] > 0 ? 1 : 0, between = again[d] < 0 ? 1 : 0;
        const float much = again[d] < 0 ? -again[d] : again[d];
        const float share = swept[d] * weight;
        const float bare = 1 - share, was = left[d], both = was * bare;
        float less = (was + bare) - 1;
        less = (less > 0 ? less : 0) * between;
        const float more = (was < bare ? was : bare) * same;
        less = ((less + more) - both) * much;
        left[d] = less_nothing(both + less);
    }
}

/* Leave what a sweep left out of its places from start to until; first is the first cell of the block. */
FAST static void leave_each(const Sweep *sweep, Py_ssize_t start, Py_ssize_t until, int64_t first, const Room *room) {
    const int32_t *here = sweep->a[HERE].data;
    const float *weight = sweep->a[WEIGHT].data;
    const Py_ssize_t lanes = room->lanes;
    for (Py_ssize_t k = start; k < until; k++) {
        float *left = room->left + (here[k] - first) * lanes, *swept = room->swept + (k - start) * lanes;
        if (sweep->a[AGAIN].size == 0)
            leave(left, swept, weight[k], lanes);
        else
            leave_again(left, swept, weight[k], room->again, lanes);
    }
}

/* Take what a sweep swept off what is left of a block of cells, which are those from first to until. */
static void add_sweep(Sweep *sweep, int64_t first, int64_t until, const Room *room) {
    const int32_t *here = sweep->a[HERE].data;
    const Py_ssize_t start = sweep->from;
    while (sweep->from < sweep->until && here[sweep->from] < until) sweep->from++;
    if (sweep->from == start) return;
    memset(room->swept, 0, (size_t)((sweep->from - start) * room->lanes) * sizeof *room->swept);
    for (Py_ssize_t k = 0; k < sweep->count; k++) {
        Part *part = &sweep->parts[k];
        memcpy(room->factor, part->a[FACTOR].data, (size_t)room->draws * sizeof *room->factor);
        memcpy(room->begin, part->a[BEGIN].data, (size_t)room->draws * sizeof *room->begin);
        add_part(sweep, part, start, sweep->from, room);
    }
    if (sweep->a[AGAIN].size > 0)
        memcpy(room->again, sweep->a[AGAIN].data, (size_t)room->draws * sizeof *room->again);
    leave_each(sweep, start, sweep->from, first, room);
}

/* Cells from first to last, into rows that lie stride apart. */
static void leave_out(Sweeps *all, const float *walked, float *missed, int64_t stride, int64_t first, int64_t last,
                      const Room *room) {
    for (int64_t from = first; from < last; from += BLOCK) {
        const int64_t until = last - from < BLOCK ? last : from + BLOCK;
        for (Py_ssize_t k = 0; k < room->lanes * BLOCK; k++) room->left[k] = 1;
        for (Py_ssize_t k = 0; k < all->count; k++) add_sweep(&all->sweeps[k], from, until, room);
        for (Py_ssize_t d = 0; d < all->draws; d++)
            for (int64_t c = from; c < until; c++)
                missed[d * stride + c] = 1 - (1 - room->left[(c - from) * room->lanes + d]) * walked[c];
    }
}

/* left_out(sweeps, walked, missed, level, levels, first, last): what sweeps left out of the cells from first to last,
   written to every so many rows of missed (draws, cells) from the one of this level on.

   sweeps : a tuple of (here, rho, weight, again, parts), again empty where there are none before, with parts a tuple of
   (own, share, factor, begin, steps). */
static PyObject *left_out(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"f4r", "f4w"};
    int64_t numbers[4];
    Array arrays[2];
    if (count != 7) return PyErr_Format(PyExc_TypeError, "left_out takes 7 arguments");
    for (int k = 0; k < 4; k++) numbers[k] = PyLong_AsLongLong(args[3 + k]);
    if (PyErr_Occurred()) return NULL;
    if (borrow_all(args + 1, 2, kinds, arrays) < 0) return NULL;
    const int64_t level = numbers[0], levels = numbers[1], first = numbers[2], last = numbers[3];
    const Py_buffer *view = &arrays[1].view;
    const int64_t cells = arrays[0].size;
    PyObject *found = NULL;
    Sweeps all;
    if (view->ndim != 2 || view->shape[1] != cells || level < 0 || level >= levels || levels > view->shape[0] ||
        first < 0 || first > last || last > cells || cells > INT32_MAX)
        PyErr_SetString(PyExc_ValueError, "the level or the cells are not within what is missed");
    else if (make_sweeps(args[0], (view->shape[0] - level + levels - 1) / levels, cells, &all) == 0) {
        Room room;
        const int made = make_room(all.draws, &room);
        Py_ssize_t fit = 0;
        if (made == 0) {
            Py_BEGIN_ALLOW_THREADS
            while (fit < all.count && fits(&all.sweeps[fit], first, last)) fit++;
            if (fit == all.count)
                leave_out(&all, arrays[0].data, (float *)view->buf + level * cells, levels * cells, first, last, &room);
            Py_END_ALLOW_THREADS
        }
        if (made < 0)
            PyErr_NoMemory();
        else if (fit < all.count)
            PyErr_SetString(PyExc_ValueError, "a sweep is out of order, or leaves its tables");
        else
            found = Py_NewRef(Py_None);
        free(room.memory);
        let_go(&all);
    }
    give_back(arrays, 2);
    return found;
}

PyMethodDef left_out_methods[] = {METHOD(left_out), {NULL, NULL, 0, NULL}};
