"""Why a room moves: what varies, how, where and when. Pure: arrays in, figures with intervals out."""
