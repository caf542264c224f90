/* The module itself. */

#include "kernels.h"

MODULE(span_methods, layer_methods, left_out_methods, likelihood_methods, abeam_methods, distance_methods,
       simplify_methods, pass_methods, draw_methods, block_methods, lost_methods)
