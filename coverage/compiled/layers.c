/* What an outing adds to the cells of a site: as add_to_site and add_passes in ground/added_cells.py, whole numbers. */

#include "kernels.h"

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
   uint8 (sets,), of uint16 (256,), crosswise, most) -> cells swept now, new, swept before with the same coil, with
   another, twice now, crosswise, and on the site or its edge: passes and bearings grow by one outing */
static PyObject *add_outing(PyObject *self, PyObject *const *args, Py_ssize_t count) {
    static const char *const kinds[] = {"i2r", "?1r", "u1r", "u1r", "u1w", "u1w", "u1r"};
    static const char *const table[] = {"u1r", "u2r"};
    Layer layers[OUTING_LAYERS];
    Array tables[2];
    if (count != OUTING_LAYERS + 4)
        return PyErr_Format(PyExc_TypeError, "add_outing takes %d arguments", OUTING_LAYERS + 4);
    const long crosswise = PyLong_AsLong(args[OUTING_LAYERS + 2]), most = PyLong_AsLong(args[OUTING_LAYERS + 3]);
    if (PyErr_Occurred() || borrow_layers(args, OUTING_LAYERS, kinds, layers) < 0) return NULL;
    if (borrow_all(&args[OUTING_LAYERS], 2, table, tables) < 0) {
        give_back_layers(layers, OUTING_LAYERS);
        return NULL;
    }
    const int fits = check_size(&tables[1], UINT8_MAX + 1, "of") == 0;
    Py_ssize_t f[FIGURES] = {0};
    if (fits) {
        const Bearings bearings = {tables[0].data, tables[1].data, tables[0].size, (int)crosswise};
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < layers[0].rows; row++) {
            char *rows[OUTING_LAYERS];
            for (int k = 0; k < OUTING_LAYERS; k++) rows[k] = layers[k].data + row * layers[k].stride;
            add_row(rows, layers[0].cols, &bearings, (int)most, f);
        }
        Py_END_ALLOW_THREADS
    }
    give_back(tables, 2);
    give_back_layers(layers, OUTING_LAYERS);
    if (!fits) return NULL;
    return Py_BuildValue("nnnnnnn", f[NOW], f[NEW], f[AGAIN_SAME], f[AGAIN_OTHER], f[TWICE], f[CROSSWISE], f[ON_SITE]);
}

PyMethodDef layer_methods[] = {METHOD(add_passes), METHOD(add_outing), {NULL, NULL, 0, NULL}};
