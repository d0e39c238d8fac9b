"""The exported model at work: numpy, pillow, onnxruntime and nothing else of weight."""
