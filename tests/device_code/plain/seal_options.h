/* What imgseal device-code writes for a product with ESP256 alone. */
