foreach(part clock queue log engine_stage journal_stage notify_stage)
  unit_test(runtime_${part}_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/unit/runtime/${part}_test.c LINKS runtime)
endforeach()
