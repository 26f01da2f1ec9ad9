/* What imgseal device-code writes for a product with ESP256 alone. */
#define SEAL_WRITE_UNIT 8u
