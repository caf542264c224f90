/* What the files of kernels share. */

#ifndef FIELDCOMB_KERNELS_H
#define FIELDCOMB_KERNELS_H

#include "../../tracks/compiled/borrow.h"

/* One array of every file; each ends with an empty entry. */
extern PyMethodDef span_methods[], layer_methods[], left_out_methods[], likelihood_methods[], abeam_methods[];
extern PyMethodDef distance_methods[], simplify_methods[], pass_methods[], draw_methods[], block_methods[];
extern PyMethodDef lost_methods[];

#endif
