unit_test(test_model SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/model/test_model.c LINKS model)
